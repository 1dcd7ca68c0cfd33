"""How well the practice engine finds and judges rehearsals. Every figure is synthetic.

``python -m faultml.pipelines.benchmarks.practice``.

The rehearsals (`faultml.synthetic.rehearsals`) were written without sight of the engine. A repetition counts as
found where one of the engine's overlaps it by more than half of the shorter of both; as right where the verdict is
that of the true motion, outside a band of 2 degrees about the bound.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator
from typing import Final, Literal

import click
import numpy as np
from msgspec import structs

from faultml.care.rules import Setup
from faultml.coaching.book import load_book
from faultml.coaching.place import OwnNumbers
from faultml.coaching.window import SpreadWindow, Window
from faultml.pipelines.benchmarks.windows import NO_LIMITS
from faultml.practice.engine import Engine, SwingReader
from faultml.practice.events import CareStop, CueOn, FullSwing, Repetition, Trouble
from faultml.practice.frames import Sample
from faultml.practice.judge import Target
from faultml.practice.swings import ModelReader
from faultml.synthetic.rehearsal_truth import RepetitionTruth
from faultml.synthetic.rehearsals import Rehearsal, make_rehearsal, rehearsal_kinds, spread_margins

BAND_DEG: Final = 2.0
REPETITIONS: Final = 8
RATES_HZ: Final = (50.0, 100.0, 200.0, 500.0)
MARGIN_OK_DEG: Final = 2.0


def judged_drills() -> list[str]:
    """The drills that a sensor can judge."""
    return [drill.id for drill in load_book().drills if drill.rehearsal.stations]


def book_target(drill_id: str, setup_deg: np.ndarray) -> Target:
    """A drill on a golfer of whom the usual setup alone is known, in the window of the book; unproven ones too."""
    drill = load_book()[drill_id]
    drill = structs.replace(drill, rehearsal=structs.replace(drill.rehearsal, unproven=False))
    window = drill.window
    assert isinstance(window, Window) and not isinstance(window, SpreadWindow)
    flexion, ulnar, pronation = map(float, setup_deg)
    setup = Setup(flexion_deg=flexion, ulnar_deg=ulnar, pronation_deg=pronation)
    return Target(drill, window, OwnNumbers(setup), NO_LIMITS)


def samples_of(rehearsal: Rehearsal) -> Iterator[Sample]:
    """The samples in the order in which they arrive."""
    elevation = rehearsal.elevation_deg
    raised = np.full(len(rehearsal.time_s), np.nan) if elevation is None else elevation
    for row in zip(
        rehearsal.time_s,
        rehearsal.flexion_deg,
        rehearsal.ulnar_deg,
        rehearsal.pronation_deg,
        raised,
        strict=True,
    ):
        yield Sample(*map(float, row))


def measure(rehearsal: Rehearsal, swings: SwingReader | None = None) -> Counter[str]:
    """What the engine makes of a rehearsal, counted against the truth."""
    truth = rehearsal.truth
    target = book_target(rehearsal.drill, truth.usual_setup_deg)
    engine = Engine(target, swings=swings)
    events = [event for sample in samples_of(rehearsal) for event in engine.push(sample)] + engine.finish()
    made = [event for event in events if isinstance(event, Repetition)]
    counts: Counter[str] = Counter()
    free = list(made)
    for repetition in truth.repetitions:
        counts["true"] += 1
        mine = next((each for each in free if _same(each, repetition)), None)
        if mine is None:
            continue
        free.remove(mine)
        counts["found"] += 1
        if repetition.inside is None or abs(repetition.margin_deg) < BAND_DEG:
            continue
        counts["outside band"] += 1
        if mine.verdict == "not-judged":
            counts[f"not judged: {mine.why}"] += 1
            continue
        counts["judged"] += 1
        counts["right"] += (mine.verdict == "inside") == repetition.inside
        assert mine.margin_deg is not None
        counts["margin"] += abs(mine.margin_deg - repetition.margin_deg) <= MARGIN_OK_DEG
    tried = [span for span in truth.spans if span.what == "broken_off"]
    counts["broken off"] += sum(any(_meets(each, span.from_s, span.to_s) for span in tried) for each in free)
    counts["not made"] += sum(
        not any(_meets(each, span.from_s, span.to_s) for span in tried) for each in free
    )
    for event in events:
        if isinstance(event, CueOn | CareStop):
            at = event.t_s
            counts["cues"] += 1
            other = [
                span for span in truth.spans if span.from_s <= at <= span.to_s and span.what != "broken_off"
            ]
            counts["cues elsewhere"] += bool(other) and not any(
                each.start_s <= at <= each.end_s + 1 for each in truth.repetitions
            )
    counts["full swings"] += sum(span.what == "full_swing" for span in truth.spans)
    counts["full found"] += sum(
        any(span.what == "full_swing" and _meets(each, span.from_s, span.to_s) for span in truth.spans)
        for each in events
        if isinstance(each, FullSwing)
    )
    counts["troubles"] += sum(isinstance(event, Trouble) for event in events)
    return counts


def _same(mine: Repetition, true: RepetitionTruth) -> bool:
    shared = min(mine.end_s, true.end_s) - max(mine.start_s, true.start_s)
    return shared > 0.5 * min(mine.end_s - mine.start_s, true.end_s - true.start_s)


def _meets(event: Repetition | FullSwing, from_s: float, to_s: float) -> bool:
    return event.start_s < to_s and event.end_s > from_s


def rehearse(
    drill_id: str, kind: str, seed: int, *, recorder: str = "everyday", elevation: bool = False
) -> Rehearsal:
    """One rehearsal; rate and hand go with the seed."""
    random = np.random.default_rng([seed, *map(ord, drill_id + kind)])
    window = load_book()[drill_id].window
    assert isinstance(window, Window)
    hand: Literal["left", "right"] = "left" if seed % 2 else "right"
    return make_rehearsal(
        drill_id,
        window,
        kind=kind,
        rate_hz=RATES_HZ[seed % len(RATES_HZ)],
        handedness=hand,
        excursions_deg=spread_margins(REPETITIONS, random),
        rng=random,
        recorder=recorder,
        elevation=elevation,
    )


def line(name: str, counts: Counter[str]) -> str:
    """A row of the table."""
    share = {
        "found": (counts["found"], counts["true"]),
        "judged": (counts["judged"], counts["outside band"]),
        "right": (counts["right"], counts["judged"]),
        "within": (counts["margin"], counts["judged"]),
    }
    cells = [f"{100 * a / b:.1f} % of {b}" if b else "–" for a, b in share.values()]
    extra = [counts[key] for key in ("not made", "broken off", "cues", "cues elsewhere")]
    full = f"{counts['full found']} of {counts['full swings']}" if counts["full swings"] else "–"
    return f"| {name} | {' | '.join(cells)} | {' | '.join(map(str, extra))} | {full} |"


@click.command()
@click.option("--sessions", default=4, help="Sessions of each drill and kind.")
@click.option("--drill", "only", multiple=True, help="Only these drills.")
@click.option("--kind", "kinds", multiple=True, help="Only these kinds.")
@click.option("--recorder", default="everyday")
@click.option("--elevation", is_flag=True, help="With the forearm's elevation.")
@click.option("--first-seed", default=1)
def main(
    sessions: int,
    only: tuple[str, ...],
    kinds: tuple[str, ...],
    recorder: str,
    elevation: bool,
    first_seed: int,
) -> None:
    """Print the table, drill by drill and kind by kind."""
    reader = ModelReader()
    by_drill: dict[str, Counter[str]] = {}
    by_kind: dict[str, Counter[str]] = {}
    for drill_id in only or judged_drills():
        for kind in kinds or rehearsal_kinds():
            for seed in range(first_seed, first_seed + sessions):
                made = rehearse(drill_id, kind, seed, recorder=recorder, elevation=elevation)
                counts = measure(made, reader)
                by_drill.setdefault(drill_id, Counter()).update(counts)
                by_kind.setdefault(kind, Counter()).update(counts)
    head = "found | judged | right | margin within 2° | not made | broken off | cues | cues elsewhere | full swings |"
    for name, table in (("drill", by_drill), ("kind", by_kind)):
        click.echo(f"| {name} | {head}\n|{'---|' * 10}")
        for key, counts in table.items():
            click.echo(line(key, counts))
        click.echo("")
    total = sum(by_kind.values(), Counter())
    click.echo(line("all", total))
    click.echo({key: count for key, count in total.items() if key.startswith("not judged")})
    assert not math.isnan(total["found"])


if __name__ == "__main__":
    main()
