"""Evidence of a player, built by hand: dates as days since the first of March 2031."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import replace

from faultml.plan.records import (
    Baseline,
    DrillFacts,
    FreeDay,
    Gain,
    GivenDrill,
    Hold,
    LessonPlan,
    PlayerEvidence,
    PracticeDay,
)
from faultml.plan.rules import load_plan_rules
from faultml.plan.state import Gains, plan_on

FIRST = dt.date(2031, 3, 1)
FAULT, OTHER = "flexed_top", "flip"
DRILL, SECOND = "drill_a", "drill_b"
PLAIN_FACTS = DrillFacts(
    sets_a_day=3,
    sets_a_week=15,
    reps=8,
    retest_days=7,
    retest_inside=8,
    retest_of=10,
    moves_setup=False,
)
FACTS = dict.fromkeys((DRILL, SECOND), PLAIN_FACTS) | {"drill_setup": replace(PLAIN_FACTS, moves_setup=True)}
CHANNELS = {FAULT: "flexion_deg", OTHER: "ulnar_deg"}


def on(number: int) -> dt.date:
    """The day of that number, 0 for the first."""
    return FIRST + dt.timedelta(days=number)


def given(number: int, drill: str = DRILL, fault: str = FAULT, noted: str = "") -> GivenDrill:
    return GivenDrill(drill, fault, on(number), noted)


def practised(*numbers: int, sets: int = 3, drill: str = DRILL) -> tuple[PracticeDay, ...]:
    return tuple(PracticeDay(drill, on(number), sets) for number in numbers)


def free(number: int, mean_deg: float = 10.0, swings: int = 12, inside: int = 0) -> FreeDay:
    return FreeDay(on(number), swings, inside, mean_deg)


def retest(number: int, inside: int, swings: int = 10, mean_deg: float = 0.0) -> FreeDay:
    return FreeDay(on(number), swings, inside, mean_deg, swings, inside)


def gains_of(readings: Mapping[int, tuple[float, float, float]], start: int = 0, fault: str = FAULT) -> Gains:
    """Day of a session -> gain and its interval, degrees."""
    return {
        (fault, on(start), on(number)): Gain(gain, low, high, "deg", 1.0)
        for number, (gain, low, high) in readings.items()
    }


def plan(evidence: PlayerEvidence, number: int, gains: Gains | None = None) -> LessonPlan:
    return plan_on(
        evidence, on(number), facts=FACTS, channels=CHANNELS, gains=gains or {}, rules=load_plan_rules()
    )


def evidence(
    *days: FreeDay,
    drills: tuple[GivenDrill, ...] = (given(0),),
    practice: tuple[PracticeDay, ...] = (),
    holds: tuple[Hold, ...] = (),
    baselines: tuple[Baseline, ...] = (),
    fault: str = FAULT,
    **more: object,
) -> PlayerEvidence:
    return PlayerEvidence(
        given=drills, practice=practice, free={fault: days}, holds=holds, baselines=baselines, **more
    )
