"""``faultml report``: the season as one offline page."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import click

from faultml.cli import options


@click.command("report", short_help="Write the season as one offline page.")
@click.argument("results", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The page to write.  [default: report.html in RESULTS]",
)
@options.ROSTER
@options.STORE
@click.option(
    "--catalogue",
    "overrides",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="The file of moved edges that classify was given.",
)
@click.option("--player", "players", multiple=True, metavar="ID", help="Only this player. May be repeated.")
def command(
    results: Path,
    out: Path | None,
    roster: Path | None,
    store: Path | None,
    overrides: Path | None,
    players: tuple[str, ...],
) -> None:
    """Write the season in RESULTS, the folder that classify left, as one offline page.

    The care check is asked again, with what store and roster say now.

    \b
    Example:
      faultml report results/ --player p07 --out p07.html
    """
    from faultml.care.known import known_of_run
    from faultml.coaching.book import load_book
    from faultml.coaching.rules import Coaching, load_rules
    from faultml.faults.catalogue import load_catalogue
    from faultml.report.page import write_report
    from faultml.report.source import read_source
    from faultml.results import REPORT_FILE, read_results
    from faultml.store.place import store_if_there

    coaching = Coaching(load_catalogue(overrides), load_book(), load_rules())
    tables = read_results(results)
    today, recorded = date.today(), tables.players["player"].astype(str)
    known = known_of_run(tables.run, recorded, today, store=store_if_there(store), roster=roster)
    source = read_source(tables, known, coaching, today)
    page = out or results / REPORT_FILE
    write_report(source, page, coaching, only=players)
    click.echo(page)
