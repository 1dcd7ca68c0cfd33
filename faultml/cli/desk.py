"""``faultml desk``: the page on which a coach works."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import click

from faultml.cli import options


@click.command(short_help="Open the page on which a coach does everything.")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False), required=False)
@click.option("--demo", is_flag=True, help="A season of generated players to try everything on, in demo/.")
@options.HOST
@options.port(8766)
@click.option(
    "--token-file",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="What a browser must give once; needed where others than this machine can ask.  [default: FAULTML_TOKEN]",
)
@options.ALLOW_HOST
@click.option("--no-open", is_flag=True, help="Do not open the browser.")
def command(
    folder: Path | None,
    demo: bool,
    host: str,
    port: int,
    token_file: Path | None,
    others: tuple[str, ...],
    no_open: bool,
) -> None:
    """Serve one page on this machine: drop recordings, see swings, give verdicts and drills. No internet is needed.

    FOLDER (by default desk/) keeps everything: season/, results/, layouts/ and the coach's store. It is made where
    there is none. What is done on the page can be read back by every other command.

    \b
    Example:
      faultml desk my-season/
      faultml desk --demo
    """
    import webbrowser

    from faultml.desk.app import create_desk
    from faultml.desk.desk import Desk
    from faultml.desk.folder import DeskFolder
    from faultml.desk.server import desk_server
    from faultml.service.server import listen
    from faultml.service.settings import allowed_hosts, is_loopback, read_token

    folder = folder or Path("demo" if demo else "desk")
    if demo and not (folder / "results").exists():
        from faultml.cli.demo import make_demo

        make_demo(folder)
    token = read_token(token_file, host)
    allowed_hosts(host, port, others)
    desk = Desk(DeskFolder(folder))
    with listen(host, port) as taken:
        port = taken.getsockname()[1]
        app = create_desk(desk, allowed_hosts(host, port, others), token)
        shown = f"[{host}]" if ":" in host else host
        address = f"http://{shown}:{port}/"
        who = "only this machine can open it" if is_loopback(host) else "other machines can open it"
        asked = "with the token" if token else "without a token"
        click.echo(f"The desk is at {address}: {who}, {asked}. Stop it with Ctrl-C.")
        if not no_open and is_loopback(host):
            webbrowser.open(address)
        with suppress(KeyboardInterrupt):
            desk_server(app).run(sockets=[taken])
