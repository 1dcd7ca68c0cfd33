"""``faultml assign``: note that a player was given a drill."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from faultml.cli import options

if TYPE_CHECKING:
    from faultml.care.known import Known
    from faultml.coaching.giving import Giving
    from faultml.coaching.rules import Coaching
    from faultml.results import Results


@click.command(short_help="Note that a player was given a drill.")
@click.argument("player", required=False)
@click.argument("drill", required=False)
@click.option(
    "--fault",
    default="",
    metavar="FAULT",
    help="For which fault, by its id or its name.  [default: the drill's first]",
)
@click.option(
    "--from",
    "since",
    default="",
    metavar="DATE",
    help="Day, or session, it was given: later sessions are after it.  [default: today; of a season that is over, or "
    "ahead, its last day]",
)
@click.option("--practice", type=click.IntRange(1, 99_999), metavar="N", help="Balls to practise in a week.")
@click.option(
    "--nothing-hurts", is_flag=True, help="The player was asked today, and nothing hurts: is recorded too."
)
@options.RESULTS
@options.ROSTER
@click.option("--remove", is_flag=True, help="Take back what was noted by mistake.")
@click.option(
    "--import",
    "source",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="A sheet (CSV): player, drill, since; fault, balls_a_week, hurts (none, if asked today), note; no other.",
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
    nothing_hurts: bool,
    results: Path | None,
    roster: Path | None,
    remove: bool,
    source: Path | None,
    target: Path | None,
    store: Path | None,
) -> None:
    """Note in the coach's store that PLAYER was given DRILL (its id or its name), so that outcomes can tell later
    whether it worked.

    The care check is asked first, with what store and roster say now: a drill is not noted for a player who is
    paused, nor before somebody has asked whether anything hurts. Of a sheet all rows are noted or none.

    \b
    Example:
      faultml assign p07 two_stops_to_the_top --results results/ --from 2031-04-05 --nothing-hurts
      faultml assign p07 "Two stops to the top" --results results/
      faultml assign --import given.csv --results results/
    """
    from faultml.coaching.giving import note_givings
    from faultml.coaching.rules import load_coaching
    from faultml.faults.catalogue import load_catalogue
    from faultml.outcomes.assignments import assignments, write_assignments
    from faultml.results import read_results
    from faultml.store import open_store, store_path

    asked = (player is not None, source is not None, target is not None)
    if sum(asked) != 1 or (player is not None and drill is None):
        raise click.UsageError("give PLAYER and DRILL, or --import, or --export")
    if (source or target) and (fault or since or practice or nothing_hurts or remove):
        raise click.UsageError("--import and --export take no option of one drill")
    if results is None and not (remove or target):
        raise click.UsageError("give --results: care reads the season's roster, as it is now")
    coaching = load_coaching(load_catalogue())
    path = store_path(store)
    if target is not None:
        with open_store(path, create=False) as opened:
            given = assignments(opened)
        write_assignments(given, target)
        click.echo(f"{len(given)} drills given: {target}")
        return
    cells = {
        "player": player or "",
        "drill": drill or "",
        "fault": fault,
        "balls_a_week": str(practice or ""),
    }
    cells |= {"since": since, "hurts": "none" if nothing_hurts else ""}
    if remove:
        _take_back(cells, path, coaching)
        return
    assert results is not None
    read = read_results(results)
    known, players = _known(read, roster, path)
    new_store = not path.exists()
    if source is None and not since:
        cells["since"] = _default_since(read, path)
    if source is None:
        givings = [_one(cells, known, players, coaching)]
    else:
        givings = _sheet(source, known, players, coaching, path)
    with open_store(path) as opened:
        new = note_givings(opened, givings, date.today())
    if new_store:
        click.echo(f"Made the store {path}: it knows nothing that players said before today.", err=True)
    if source is not None:
        click.echo(f"{new} drills noted, {len(givings) - new} stood there already")
        return
    one = givings[0]
    what = coaching.words[one.given.fault]
    click.echo(
        f"Noted: {one.given.player}, {one.drill.name} [{one.drill.id}], for {what} [{one.given.fault}], "
        f"from {one.given.since}. {one.dose}."
    )
    for line in [*_in_the_season(one.given.since, read), *_met_already(one, read, coaching)]:
        click.echo(line)


def _default_since(results: Results, store: Path) -> str:
    """The day a drill is given where none is named; where that is not today, it is reported."""
    from faultml.cli.drills_given import coach_notes
    from faultml.plan.day import day_of_results

    day, why = day_of_results(results, coach_notes(store) if store.exists() else None, date.today())
    if why:
        click.echo(f"{why}: given from then on; --from names another day.", err=True)
    return day.isoformat()


def _in_the_season(since: str, results: Results) -> list[str]:
    """What a date outside the season's sessions means for telling later whether the drill worked."""
    from faultml.coaching.summary import read_summary
    from faultml.results.sessions import session_date

    given = session_date(since)
    labels = read_summary(results).sessions["session"].unique()
    days = sorted(day for label in labels if (day := session_date(label)) is not None)
    if given is None or not days or given >= days[0]:
        return []
    return [
        f"No session is recorded up to {given}: there is no before to compare with. --remove takes it back."
    ]


def _met_already(one: Giving, results: Results, coaching: Coaching) -> list[str]:
    """Whether the player's faulty swings meet the drill's window already: classify would not have given it."""
    from faultml.coaching.met import MET_MEANWHILE, met_by_player
    from faultml.coaching.notes import note_text, write
    from faultml.coaching.summary import read_summary

    counts = met_by_player(read_summary(results).windows).get(one.given.player, {})
    met = counts.get((one.drill.id, one.given.fault))
    if met is None or not met.already(coaching.rules.met):
        return []
    return [note_text(write(MET_MEANWHILE, met=met.n_met, swings=met.n_faulty), coaching)]


def _known(read: Results, roster: Path | None, store: Path) -> tuple[Known, frozenset[str]]:
    """What is known now, and everybody recorded."""
    from faultml.cli.known import known_of_season

    recorded = frozenset(map(str, read.players["player"]))
    there = store if store.exists() else None
    return known_of_season(read.run, recorded, there, roster, makes_store=True), recorded


def _one(cells: Mapping[str, str], known: Known, players: frozenset[str], coaching: Coaching) -> Giving:
    """The drill of the command line, checked."""
    from faultml.care.rules import PAUSED
    from faultml.coaching.giving import Giving, check_giving
    from faultml.coaching.notes import note_text, write
    from faultml.errors import InputError

    read = check_giving(cells, known, players, coaching, date.today())
    if isinstance(read, Giving):
        return read
    first = read[0]
    if first.code == PAUSED:
        words = note_text(write(PAUSED), coaching)
        click.echo(f"{cells['player']}: no drill is noted. {words}", err=True)
        sys.exit(2)
    also = [f"{each.column}: {each.expected}" for each in read[1:]]
    expected = "; ".join([first.expected, *also])
    raise InputError(first.code, where=f"assign {cells['player']}", expected=expected, found=first.found)


def _sheet(
    source: Path, known: Known, players: frozenset[str], coaching: Coaching, store: Path
) -> list[Giving]:
    """The drills of a sheet, all of them or none; everything that is wrong with it is said at once.

    What its rows say about pain is recorded whatever becomes of the drills.
    """
    from faultml.coaching.giving import note_pain, read_givings
    from faultml.store import open_store

    givings, problems, pains = read_givings(source, known, players, coaching, date.today())
    if pains:
        with open_store(store) as opened:
            recorded = note_pain(opened, pains, date.today())
        click.echo(f"{source}: recorded as said today, and paused: {', '.join(recorded)}", err=True)
    if problems:
        for problem in problems:
            click.echo(f"{source}: {problem}", err=True)
        click.echo("no drill was noted", err=True)
        sys.exit(2)
    return givings


def _take_back(cells: Mapping[str, str], path: Path, coaching: Coaching) -> None:
    from faultml.coaching.book import Drill
    from faultml.coaching.giving import fault_named
    from faultml.errors import InputError
    from faultml.outcomes.assignments import Assignment, check_assignment, remove_assignment
    from faultml.store import open_store

    if not cells["since"]:
        raise click.UsageError("give --from with --remove: the day that the drill was noted for")
    drill = coaching.book.find(cells["drill"])
    # One the book no longer has goes by its id.
    named = drill.id if isinstance(drill, Drill) else cells["drill"]
    fault = fault_named(cells["fault"], coaching)
    read = check_assignment(
        {**cells, "drill": named, "fault": fault}, coaching.serving, coaching.catalogue.ids
    )
    if not isinstance(read, Assignment):
        column, expected, found = read[0]
        raise InputError(f"bad-{column}", where="assign", expected=expected, found=repr(found))
    with open_store(path, create=False) as opened:
        remove_assignment(opened, read)
    click.echo(f"Taken back: {read.player}, [{read.drill}], for [{read.fault}], from {read.since}")
