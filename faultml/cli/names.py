"""``faultml names``: two spellings of one player in the recordings."""

from __future__ import annotations

from pathlib import Path

import click

from faultml.cli import options

_BY = click.option("--by", required=True, metavar="NAME", help="Who says so.")


@click.group(short_help="Two spellings of one player, merged or parted.")
def command() -> None:
    """Say that two names of the recordings are one player's. From then on classify with the coach's store reads them as
    one, what the store holds under either is the player's, and what was said of pain under either holds for both.

    \b
    Example:
      faultml names same "Tom H." tom --by ann
      faultml names list
    """


@command.command("same", short_help="A name belongs to a player of another name.")
@click.argument("name")
@click.argument("player")
@_BY
@options.STORE
def same(name: str, player: str, by: str, store: Path | None) -> None:
    """Keep that NAME, as it stands in recordings, is PLAYER. Where both have a swing of one session and number, both
    swings are refused by classify as doubled.

    \b
    Example:
      faultml names same "Tom H." tom --by ann
    """
    from faultml.store import open_store, store_path
    from faultml.store.names import say_same

    with open_store(store_path(store)) as opened:
        say_same(opened, name, player, by)
    click.echo(f"Kept: {name} is {player}. Classify the season again.")


@command.command("apart", short_help="Two names are two players; takes same back.")
@click.argument("name")
@click.argument("player")
@_BY
@options.STORE
def apart(name: str, player: str, by: str, store: Path | None) -> None:
    """Keep that NAME and PLAYER are two players. What was kept by same is taken back.

    \b
    Example:
      faultml names apart "Tom H." tom --by ann
    """
    from faultml.store import open_store, store_path
    from faultml.store.names import say_apart

    with open_store(store_path(store)) as opened:
        say_apart(opened, name, player, by)
    click.echo(f"Kept: {name} is not {player}. Classify the season again.")


@command.command("list", short_help="What was said of names.")
@options.STORE
def show(store: Path | None) -> None:
    """List what holds of names: by whom and when it was said.

    \b
    Example:
      faultml names list
    """
    from faultml.store import open_store, store_path
    from faultml.store.names import SAME, name_statements

    with open_store(store_path(store), create=False) as opened:
        held = name_statements(opened)
    for each in held:
        verb = "is" if each.says == SAME else "is not"
        click.echo(f"{each.name} {verb} {each.player}; {each.by}, {each.when}")
    if not held:
        click.echo("Nothing was said of names.")
