"""``faultml timing``: golfers' timing from swings with a contact mark."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from faultml.cli import options

if TYPE_CHECKING:
    from faultml.recordings.corrections import GolferTiming


@click.group(short_help="Learn golfers' timing from marked swings.")
def command() -> None:
    """By how much a golfer's contact comes after the impact as inferred from the wrist's angles.

    Three swings with a contact mark, of one club and kind of recorder, make a timing; classify then uses it on the
    golfer's other swings wherever it is given the coach's store. The table swings says so: impact_from is timing.

    \b
    Example:
      faultml timing learn season/
      faultml timing list
    """


@command.command("learn", short_help="Learn it from the marked swings of a season.")
@click.argument("season", nargs=-1, required=True, type=click.Path(path_type=Path, exists=True))
@options.STORE
def learn(season: tuple[Path, ...], store: Path | None) -> None:
    """Learn from the swings of SEASON that have a mark: the recorder's, a shock's, the desk's or one of marks.csv.

    What was kept of its sessions is replaced.

    \b
    Example:
      faultml timing learn season/
    """
    from faultml.season.timing import learn_timing

    learned = learn_timing(season, store=store)
    click.echo(f"{learned.n_marked} marked swings kept; {learned.n_unmarked} swings have no mark.")
    _say(learned.timings)


@command.command("list", short_help="Every timing that holds.")
@click.option("--player", metavar="ID", help="Only this player's.")
@options.STORE
def show(player: str | None, store: Path | None) -> None:
    """List every golfer's timing: from how many swings, of which days, and how sure the impact is with it.

    \b
    Example:
      faultml timing list --player p07
    """
    from faultml.labels.timing import golfer_timings
    from faultml.store import open_store, store_path

    with open_store(store_path(store), create=False) as opened:
        _say(each for each in golfer_timings(opened) if player in (None, each.player))


def _say(timings: Iterable[GolferTiming]) -> None:
    from faultml.recordings.corrections import MIN_MARKED

    lines = [
        f"{each.player}, {each.club or 'no club named'}, {each.recorder}: {each.offset_s * 1000:+.1f} ms "
        f"(impact's SD {each.sd_s * 1000:.1f} ms), from {each.n} swings, {each.since} to {each.last}"
        for each in timings
    ]
    click.echo("\n".join(lines) or f"No player has {MIN_MARKED} marked swings with one club and recorder.")
