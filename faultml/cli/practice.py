"""``faultml practice``: repetitions of a drill, judged one by one."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from faultml.cli import options

if TYPE_CHECKING:
    from faultml.practice.judge import Target

DRILL = click.option("--drill", "drill_name", required=True, metavar="DRILL", help="By its id or its name.")
LAYOUT = click.option(
    "--layout",
    "layout_path",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Where everything stands in the file, if it is not in our own long layout; see docs/layouts.md.",
)
SEASON = click.option(
    "--results",
    required=True,
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="What classify left: the player's own setup and angles, on which the window is placed.",
)


@click.group(short_help="Rehearse a drill with a sensor, or judge a recording.")
def command() -> None:
    """Follow a player's repetitions of a drill by a sensor on the lead wrist and judge them one by one.

    \b
    Example:
      faultml practice check tuesday.csv --drill two_stops_to_the_top --player p07 --results results/
    """


@command.command("check", short_help="Judge a recording repetition by repetition.")
@click.argument("file", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@click.option("--player", required=True, metavar="ID", help="Whose recording.")
@DRILL
@SEASON
@LAYOUT
@options.STORE
@options.ROSTER
@options.CATALOGUE
@click.option("--json", "as_json", is_flag=True, help="Every event as a line of JSON, for other programs.")
def check(
    file: Path,
    player: str,
    drill_name: str,
    results: Path,
    layout_path: Path | None,
    store: Path | None,
    roster: Path | None,
    catalogue: Path | None,
    as_json: bool,
) -> None:
    """Judge FILE, a recording of a player's repetitions, as a live session of the same samples would: one row a sample
    with player, session, t_s, flexion_deg, ulnar_deg and, where recorded, pronation_deg. Nothing is noted.

    \b
    Example:
      faultml practice check tuesday.csv --drill "Two stops to the top" --player p07 --results results/
    """
    import msgspec

    from faultml.importing.layout import load_layout
    from faultml.importing.season import alignment_of
    from faultml.practice.engine import Engine
    from faultml.practice.events import FullSwing, Repetition, Trouble
    from faultml.practice.replay import read_samples
    from faultml.practice.swings import ModelReader
    from faultml.practice.words import TROUBLES, repetition_words

    layout = load_layout(layout_path) if layout_path else None
    alignment = alignment_of(layout, layout_path) if layout and layout_path else None
    sd_deg = alignment.mounting_sd_deg if alignment else None
    target = _target(player, drill_name, results, store, roster, catalogue, sd_deg)
    engine = Engine(target, swings=ModelReader())
    events = []
    for sample in read_samples(file, player, layout=layout, alignment=alignment):
        events += engine.push(sample)
    events += engine.finish()
    if as_json:
        for event in events:
            click.echo(msgspec.json.encode(event))
        return
    for event in events:
        if isinstance(event, Repetition):
            span = f"{event.start_s:.1f}-{event.end_s:.1f} s"
            click.echo(f"{event.number:3d}  {span:>16}  {repetition_words(event)}")
        elif isinstance(event, FullSwing):
            click.echo(f"     {event.start_s:.1f} s  full speed: {repetition_words(event)}")
        elif isinstance(event, Trouble):
            click.echo(f"     {event.t_s:.1f} s  {TROUBLES[event.code]}")
    found = [event for event in events if isinstance(event, Repetition)]
    inside = sum(event.verdict == "inside" for event in found)
    judged = sum(event.verdict != "not-judged" for event in found)
    click.echo(f"{len(found)} repetitions, {judged} judged, {inside} inside.")


@command.command("run", short_help="Practise now: one set after the other.")
@click.argument("player")
@DRILL
@click.option(
    "--from",
    "source",
    required=True,
    metavar="SOURCE",
    help="replay:FILE, a recording at its own pace; lsl:NAME, a stream of the Lab Streaming Layer.",
)
@click.option(
    "--sets", "n_sets", type=click.IntRange(1, 9), default=1, show_default=True, help="Sets to do now."
)
@click.option("--fast", is_flag=True, help="Replay without waiting.")
@click.option("--by", default="", metavar="NAME", help="Whose name stands under what is recorded.")
@SEASON
@LAYOUT
@options.STORE
@options.ROSTER
@options.CATALOGUE
def run(
    player: str,
    drill_name: str,
    source: str,
    n_sets: int,
    fast: bool,
    by: str,
    results: Path,
    layout_path: Path | None,
    store: Path | None,
    roster: Path | None,
    catalogue: Path | None,
) -> None:
    """Practise a drill: care is asked before each set, the dose is counted down, the result comes after the player's
    own guess, and less and less of it. Type i or o and Enter to guess, r for the last result, e to end the set, h when
    something hurts: it stops and holds every drill first, and asks afterwards. Sets are kept in the store, and count in
    the plan.

    \b
    Example:
      faultml practice run p07 --drill two_stops_to_the_top --from replay:tuesday.csv --results results/
      faultml practice run p07 --drill two_stops_to_the_top --from lsl:wrist --results results/
    """
    from faultml.cli.known import known_of_player
    from faultml.importing.layout import load_layout
    from faultml.importing.season import alignment_of
    from faultml.practice.driver import Driver, open_source
    from faultml.practice.session import PracticeSession
    from faultml.practice.swings import ModelReader
    from faultml.store import open_store, store_path

    layout = load_layout(layout_path) if layout_path else None
    alignment = alignment_of(layout, layout_path) if layout and layout_path else None
    sd_deg = alignment.mounting_sd_deg if alignment else None
    target = _target(player, drill_name, results, store, roster, catalogue, sd_deg)
    samples = open_source(source, player, layout=layout, alignment=alignment, fast=fast)
    with open_store(store_path(store)) as opened:
        session = PracticeSession(
            player,
            target,
            opened,
            lambda: known_of_player(player, results, roster, store),
            by=by,
            swings=ModelReader(),
        )
        Driver(session, click.echo, n_sets).run(samples, sys.stdin)


def _target(
    player: str,
    drill_name: str,
    results: Path,
    store: Path | None,
    roster: Path | None,
    catalogue: Path | None,
    mounting_sd_deg: float | None,
) -> Target:
    """What is practised; refused where care lets the player not have the drill."""
    from datetime import date

    from faultml.care.check import care_check
    from faultml.cli.known import known_of_player
    from faultml.coaching.rules import load_coaching
    from faultml.errors import InputError
    from faultml.faults.catalogue import load_catalogue
    from faultml.practice.of_results import target_of_results
    from faultml.results import read_results

    coaching = load_coaching(load_catalogue(catalogue))
    drill = coaching.book.named(drill_name, where="practice")
    known = known_of_player(player, results, roster, store)
    answer = care_check(drill.demands, known.body(player), date.today())
    if answer.verdict == "no":
        raise InputError(
            answer.public_reason(),
            where=f"practice {player}",
            expected="a player and a drill that care allows: faultml players care",
            found=drill.id,
        )
    return target_of_results(read_results(results), player, drill, coaching, mounting_sd_deg)
