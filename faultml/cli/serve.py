"""``faultml serve``: answer other programs over HTTP."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import click

from faultml.cli import options

if TYPE_CHECKING:
    from faultml.service.settings import Settings


@click.command(short_help="Answer other programs over HTTP.")
@options.HOST
@options.port(8765)
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
    "--tokens",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Of which a request must bring one (faultml token); needed where others than this machine can ask."
    "  [default: the one in FAULTML_TOKEN]",
)
@options.ALLOW_HOST
@click.option(
    "--spool",
    type=click.Path(path_type=Path, file_okay=False),
    help="Where uploads are kept; servers may share it.  [default: faultml-seasons beside the store]",
)
@click.option(
    "--log",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write a line of JSON a request: route, status, time, token's name, never a player's.  [default: errors only,"
    " to standard error]",
)
@click.option("--metrics", is_flag=True, help="Answer /metrics, for Prometheus; needs a token.")
def command(
    host: str,
    port: int,
    results: Path | None,
    store: Path | None,
    model: Path | None,
    registry: Path | None,
    catalogue: Path | None,
    tokens: Path | None,
    others: tuple[str, ...],
    spool: Path | None,
    log: Path | None,
    metrics: bool,
) -> None:
    """Answer other programs over HTTP: assess swings, classify seasons, tell drills, keep verdicts.

    Only this machine can ask, unless --host says otherwise; then a token is needed. docs/http.md describes every
    route and limit.

    \b
    Example:
      faultml serve --results results/ --store faultml-store.sqlite
    """
    from faultml.service import Settings, create_app
    from faultml.service.logs import start_log
    from faultml.service.server import listen, server
    from faultml.service.settings import allowed_hosts, read_token
    from faultml.store.place import store_if_there

    start_log(log)
    # A file of tokens is enough wherever it listens; the one in the environment is checked all the same.
    token = read_token(None, "localhost" if tokens else host)
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
            token_file=tokens,
            token=token,
            metrics=metrics,
            hosts=allowed_hosts(host, port, others),
            spool=spool,
        )
        app = create_app(settings)
        click.echo("\n".join(_status_lines(host, port, settings)))
        # uvicorn has shut down in order by then, and hands the signal on.
        with suppress(KeyboardInterrupt):
            server(app).run(sockets=[taken])


def _status_lines(host: str, port: int, settings: Settings) -> list[str]:
    """Where it listens, who may ask, and what there is to ask."""
    from faultml.service.settings import is_loopback

    who = "only this machine can ask" if is_loopback(host) else "other machines can ask"
    asked = "with a token" if settings.token or settings.token_file else "without a token"
    shown = f"[{host}]" if ":" in host else host
    return [
        f"Listening on http://{shown}:{port}: {who}, {asked}. Stop it with Ctrl-C.",
        f"Drills: {settings.results or 'of the last season uploaded'}. Labels: {settings.store or 'none'}.",
    ]
