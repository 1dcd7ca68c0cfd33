"""``faultml assign``: note that a player was given a drill."""

from __future__ import annotations

import sys
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from faultml.cli import options

if TYPE_CHECKING:
    from faultml.coaching.rules import Coaching
    from faultml.outcomes.assignments import Assignment
    from faultml.store import Store

MOST_TOLD = 10


@click.command(short_help="Note that a player was given a drill.")
@click.argument("player", required=False)
@click.argument("drill", required=False)
@click.option("--fault", default="", metavar="FAULT", help="For which fault.  [default: the drill's first]")
@click.option(
    "--from",
    "since",
    default="",
    metavar="DATE",
    help="Day, or session, it was given: later sessions are after it.  [default: today]",
)
@click.option("--practice", type=click.IntRange(1, 99_999), metavar="N", help="Balls to practise in a week.")
@click.option(
    "--results",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="What classify left: checks the player, and refuses where care gives no drill.",
)
@click.option("--remove", is_flag=True, help="Take back what was noted by mistake.")
@click.option(
    "--import",
    "source",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="A sheet (CSV) of drills given: player, drill, since; fault and balls_a_week if you like.",
)
@click.option(
    "--export",
    "target",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write all of them as a sheet.",
)
@options.STORE
def command(
    player: str | None,
    drill: str | None,
    fault: str,
    since: str,
    practice: int | None,
    results: Path | None,
    remove: bool,
    source: Path | None,
    target: Path | None,
    store: Path | None,
) -> None:
    """Note in the coach's store that PLAYER was given DRILL, so that outcomes can tell later whether it worked.

    \b
    Example:
      faultml assign p07 two_stops_to_the_top --results results/ --from 2031-04-05
      faultml assign --import given.csv
    """
    from faultml.coaching.rules import load_coaching
    from faultml.faults.catalogue import load_catalogue
    from faultml.outcomes.assignments import (
        add_assignments,
        assignments,
        remove_assignment,
        write_assignments,
    )
    from faultml.store import open_store, store_path

    asked = (player is not None, source is not None, target is not None)
    if sum(asked) != 1 or (player is not None and drill is None):
        raise click.UsageError("give PLAYER and DRILL, or --import, or --export")
    if (source or target) and (fault or since or practice or results or remove):
        raise click.UsageError("--import and --export take no option but --store")
    coaching = load_coaching(load_catalogue())
    if target is not None:
        with open_store(store_path(store), create=False) as opened:
            given = assignments(opened)
        write_assignments(given, target)
        click.echo(f"{len(given)} drills given: {target}")
        return
    if source is not None:
        with open_store(store_path(store)) as opened:
            _take_in(source, opened, coaching)
        return
    one = _one(player or "", drill or "", fault, since or date.today().isoformat(), practice, coaching)
    if results is not None and not remove:
        _check_care(one, results)
    with open_store(store_path(store), create=not remove) as opened:
        if remove:
            remove_assignment(opened, one)
        else:
            add_assignments(opened, [one])
    name, what = coaching.book[one.drill].name, coaching.words[one.fault]
    click.echo(
        f"{'Taken back' if remove else 'Noted'}: {one.player}, {name} [{one.drill}], for {what} [{one.fault}], "
        f"from {one.since}"
    )
    if results is None and not remove:
        click.echo(
            "Not checked whether anything hurts: --results refuses where care gives no drill.", err=True
        )


def _one(
    player: str, drill: str, fault: str, since: str, practice: int | None, coaching: Coaching
) -> Assignment:
    """The assignment of the command line, checked."""
    from faultml.errors import InputError
    from faultml.outcomes.assignments import Assignment, check_assignment

    cells = {"player": player, "drill": drill, "fault": fault, "since": since}
    cells["balls_a_week"] = "" if practice is None else str(practice)
    read = check_assignment(cells, coaching.serving, coaching.catalogue.ids)
    if isinstance(read, Assignment):
        return read
    column, expected, found = read[0]
    raise InputError(f"bad-{column}", where="assign", expected=expected, found=repr(found))


def _take_in(source: Path, store: Store, coaching: Coaching) -> None:
    """Note a sheet's drills, all of them or none."""
    from faultml.outcomes.assignments import add_assignments, read_assignments

    given, problems = read_assignments(source, coaching.serving, coaching.catalogue.ids)
    if problems:
        for problem in problems[:MOST_TOLD]:
            click.echo(f"{source}: {problem}", err=True)
        more = len(problems) - MOST_TOLD
        click.echo(f"{f'and {more} more; ' if more > 0 else ''}nothing was noted", err=True)
        sys.exit(2)
    new = add_assignments(store, given)
    click.echo(f"{new} drills noted, {len(given) - new} stood there already")


def _check_care(one: Assignment, results: Path) -> None:
    """Refuse where the player's results say that there is no drill for reasons of care."""
    from faultml.coaching.care import STOPS
    from faultml.errors import InputError
    from faultml.results import read_results

    drills = read_results(results).drills
    own = drills[drills["player"] == one.player]
    if not len(own):
        raise InputError(
            "unknown-player", where=str(results), expected="a player of the season", found=one.player
        )
    stopped = [row["notes"] for _, row in own.iterrows() if row["reason"] in STOPS.values()]
    if stopped:
        raise InputError("no-drill", where=one.player, found=" ".join(map(str, stopped[0])))
