"""``faultml serve``: answer other programs over HTTP."""

from __future__ import annotations

import logging
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import click

from faultml.cli import options

if TYPE_CHECKING:
    from faultml.service.settings import Settings


@click.command(short_help="Answer other programs over HTTP.")
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen at.")
@click.option(
    "--port", type=click.IntRange(0, 65_535), default=8765, show_default=True, help="0: any that is free."
)
@click.option(
    "--results",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="What classify left: drills are taken from it.  [default: from the last season uploaded]",
)
@click.option(
    "--store",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The coach's store, made where there is none.  [default: the one at its usual place, where there is one]",
)
@options.MODEL
@options.CHAMPION
@options.CATALOGUE
@click.option(
    "--token-file",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="What requests must bring; needed where others than this machine can ask.  [default: FAULTML_TOKEN]",
)
@click.option(
    "--allow-host",
    "others",
    multiple=True,
    metavar="NAME[:PORT]",
    help="Another name that clients call this server by. May be repeated.",
)
@click.option(
    "--spool",
    type=click.Path(path_type=Path, file_okay=False),
    help="Where uploads are kept.  [default: the system's temporary files]",
)
@click.option(
    "--log", is_flag=True, help="A line a request: route, status, time. Names of players are not logged."
)
def command(
    host: str,
    port: int,
    results: Path | None,
    store: Path | None,
    model: Path | None,
    registry: Path | None,
    catalogue: Path | None,
    token_file: Path | None,
    others: tuple[str, ...],
    spool: Path | None,
    log: bool,
) -> None:
    """Answer other programs over HTTP: assess swings, classify seasons, tell drills, keep verdicts.

    Only this machine can ask, unless --host says otherwise; then a token is needed. docs/http.md describes every
    route and limit.

    \b
    Example:
      faultml serve --results results/ --store faultml-store.sqlite
    """
    from faultml.service import Settings, create_app
    from faultml.service.server import listen, server
    from faultml.service.settings import allowed_hosts, read_token
    from faultml.store.place import store_if_there

    if log:
        logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    token = read_token(token_file, host)
    chosen = options.chosen_model(model, registry)
    allowed_hosts(host, port, others)
    with listen(host, port) as taken:
        port = taken.getsockname()[1]
        settings = Settings(
            model=chosen.path,
            registered=chosen.registered,
            catalogue=catalogue,
            results=results,
            store=store_if_there(store),
            token=token,
            hosts=allowed_hosts(host, port, others),
            spool=spool,
        )
        app = create_app(settings)
        click.echo("\n".join(_said(host, port, settings)))
        # uvicorn has shut down in order by then, and hands the signal on.
        with suppress(KeyboardInterrupt):
            server(app).run(sockets=[taken])


def _said(host: str, port: int, settings: Settings) -> list[str]:
    """Where it listens, who may ask, and what there is to ask."""
    from faultml.service.settings import is_loopback

    who = "only this machine can ask" if is_loopback(host) else "other machines can ask"
    asked = "with the token" if settings.token else "without a token"
    shown = f"[{host}]" if ":" in host else host
    return [
        f"Listening on http://{shown}:{port}: {who}, {asked}. Stop it with Ctrl-C.",
        f"Drills: {settings.results or 'of the last season uploaded'}. Labels: {settings.store or 'none'}.",
    ]
