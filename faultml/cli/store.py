"""``faultml store``: the coach's store itself: where it is, and a copy of it."""

from __future__ import annotations

from pathlib import Path

import click

from faultml.cli import options


@click.group(short_help="Look after the coach's store.")
def command() -> None:
    """Look after the coach's store, the one file that holds verdicts and drills given.

    \b
    Example:
      faultml store info
      faultml store backup copies/store-2031-04-05.sqlite
    """


@command.command("info", short_help="Where it is, and what it holds.")
@options.STORE
def info(store: Path | None) -> None:
    """Tell where the store is, its version, how many rows each table holds, and which models have learned from
    somebody who was forgotten since.

    \b
    Example:
      faultml store info
    """
    from faultml.store import open_store, store_path
    from faultml.store.people import models_to_retrain

    with open_store(store_path(store), create=False) as opened:
        click.echo(f"{opened.path}, schema version {opened.version}")
        tables = opened.tables()
        with opened.reading() as connection:
            for table in tables:
                n = connection.exec_driver_sql(f'SELECT count(*) FROM "{table}"').scalar_one()
                click.echo(f"  {table}: {n}")
        for sha256 in models_to_retrain(opened):
            click.echo(
                f"  to be trained anew, since it has learned from somebody who was forgotten: {sha256}"
            )


@command.command("backup", short_help="Copy it while it is in use.")
@click.argument("out", type=click.Path(path_type=Path, dir_okay=False))
@options.STORE
def backup(out: Path, store: Path | None) -> None:
    """Copy the store to OUT, a new file, as of one moment and while others may write.

    \b
    Example:
      faultml store backup copies/store-2031-04-05.sqlite
    """
    from faultml.store import open_store, store_path

    with open_store(store_path(store), create=False) as opened:
        opened.backup(out)
    click.echo(f"A copy: {out}. What is forgotten later is still in it: delete it then.")
