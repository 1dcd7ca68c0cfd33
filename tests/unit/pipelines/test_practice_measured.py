"""The practice engine on rehearsals that were written without sight of it (synthetic); the whole table:
docs/practice.md.
"""

from __future__ import annotations

import pytest

from faultml.pipelines.benchmarks.practice import measure, rehearse
from faultml.practice.engine import Engine
from faultml.practice.events import Repetition


@pytest.mark.parametrize("drill", ["two_stops_to_the_top", "clubhead_over_the_line"])
def test_verdicts_of_stopped_rehearsals_are_right(drill: str) -> None:
    counts = measure(rehearse(drill, "stations", 2))
    assert counts["found"] >= 0.85 * counts["true"]
    assert counts["judged"] >= 0.85 * counts["outside band"]
    assert counts["right"] >= 0.95 * counts["judged"]


def test_the_counting_has_teeth(monkeypatch: pytest.MonkeyPatch) -> None:
    """A wrong verdict, and an engine that finds nothing, are seen."""
    rehearsal = rehearse("two_stops_to_the_top", "stations", 2)
    finish = Engine.push

    def turned(engine: Engine, sample):  # type: ignore[no-untyped-def]
        import msgspec

        other = {"inside": "outside", "outside": "inside"}
        return [
            msgspec.structs.replace(each, verdict=other.get(each.verdict, each.verdict))
            if isinstance(each, Repetition)
            else each
            for each in finish(engine, sample)
        ]

    monkeypatch.setattr(Engine, "push", turned)
    assert measure(rehearsal)["right"] == 0
    monkeypatch.setattr(Engine, "push", lambda engine, sample: [])
    assert measure(rehearsal)["found"] == 0
