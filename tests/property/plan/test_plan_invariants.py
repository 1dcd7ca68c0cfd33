"""Whatever was noted and recorded: one drill at a time, and nothing but the evidence up to a day decides."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st
from plan_fakes import CHANNELS, DRILL, FACTS, FAULT, OTHER, SECOND, on, plan

from faultml.plan.records import (
    Baseline,
    FreeDay,
    Gain,
    GivenDrill,
    Hold,
    PlayerEvidence,
    PracticeDay,
    RecordedPractice,
)
from faultml.plan.rules import load_plan_rules
from faultml.plan.state import Gains, courses

DAYS = st.integers(0, 120)
DRILLS = st.sampled_from([DRILL, SECOND, "drill_setup"])
FAULTS = st.sampled_from([FAULT, OTHER])


@st.composite
def free_days(draw: st.DrawFn) -> FreeDay:
    swings = draw(st.integers(1, 24))
    inside = draw(st.integers(0, swings))
    is_retest = draw(st.booleans())
    return FreeDay(
        on(draw(DAYS)),
        swings,
        inside,
        draw(st.sampled_from([-4.0, 0.0, 5.0, 9.0])),
        swings if is_retest else 0,
        inside if is_retest else 0,
    )


def once_a_day(draw: st.DrawFn, size: int) -> tuple[FreeDay, ...]:
    return tuple(draw(st.lists(free_days(), max_size=size, unique_by=lambda each: each.day)))


@st.composite
def players(draw: st.DrawFn) -> PlayerEvidence:
    moments = st.sampled_from(["", "2031-03-01T09:00:00Z", "2031-03-01T10:00:00Z"])
    holds = []
    for _ in range(draw(st.integers(0, 2))):
        start = draw(DAYS)
        end = draw(st.none() | st.integers(start + 1, start + 40).map(on))
        kind = draw(st.sampled_from(["paused", "barred"]))
        holds.append(Hold(on(start), end, draw(st.sampled_from(["", DRILL])), kind))
    given_drills = st.builds(GivenDrill, DRILLS, FAULTS, DAYS.map(on), moments)
    practice = st.builds(PracticeDay, DRILLS, DAYS.map(on), st.integers(1, 5))
    recorded = st.builds(RecordedPractice, DAYS.map(on), st.integers(0, 40))
    baselines = st.builds(
        Baseline,
        DAYS.map(on),
        st.sampled_from(["sensor", "grip", "address"]),
        st.sampled_from(["", *CHANNELS.values()]),
    )
    return PlayerEvidence(
        given=tuple(draw(st.lists(given_drills, max_size=4))),
        practice=tuple(draw(st.lists(practice, max_size=30, unique_by=lambda each: (each.drill, each.day)))),
        recorded=tuple(draw(st.lists(recorded, max_size=4, unique_by=lambda each: each.day))),
        free={FAULT: once_a_day(draw, 12), OTHER: once_a_day(draw, 6)},
        baselines=tuple(draw(st.lists(baselines, max_size=2))),
        holds=tuple(holds),
        undated=draw(st.booleans()),
    )


def readings(evidence: PlayerEvidence, shift: int = 0) -> Gains:
    """A gain for every fault, start and session; what it is depends on the session alone."""
    starts = {each.day for each in evidence.given if each.day}
    starts |= {each.day for days in evidence.free.values() for each in days}
    found = {}
    for fault, days in evidence.free.items():
        for each in days:
            number = (each.day - on(0)).days - shift
            middle = float(number % 9 - 3)
            for start in starts:
                found[fault, start, each.day] = Gain(middle, middle - 2.0, middle + 2.0, "deg", 1.0)
    return found


def up_to(evidence: PlayerEvidence, day: dt.date) -> PlayerEvidence:
    """Without everything that was noted or recorded later than a day."""

    def seen(rows: tuple) -> tuple:
        return tuple(each for each in rows if each.day <= day)

    return replace(
        evidence,
        given=seen(evidence.given),
        practice=seen(evidence.practice),
        recorded=seen(evidence.recorded),
        free={fault: seen(days) for fault, days in evidence.free.items()},
        baselines=seen(evidence.baselines),
        holds=tuple(
            replace(each, end=None if each.end is None or each.end > day else each.end)
            for each in evidence.holds
            if each.start <= day
        ),
    )


def shifted(evidence: PlayerEvidence, days: int) -> PlayerEvidence:
    """The same, so many days later."""
    by = dt.timedelta(days=days)

    def moved(rows: tuple) -> tuple:
        return tuple(replace(each, day=each.day + by) for each in rows)

    return replace(
        evidence,
        given=moved(evidence.given),
        practice=moved(evidence.practice),
        recorded=moved(evidence.recorded),
        free={fault: moved(rows) for fault, rows in evidence.free.items()},
        baselines=moved(evidence.baselines),
        holds=tuple(
            replace(each, start=each.start + by, end=each.end + by if each.end else None)
            for each in evidence.holds
        ),
    )


@settings(deadline=None)
@given(players(), DAYS)
def test_later_evidence_does_not_change_an_earlier_day(evidence: PlayerEvidence, number: int) -> None:
    gains = readings(evidence)
    then = {key: gain for key, gain in gains.items() if key[2] <= on(number)}
    assert plan(evidence, number, gains) == plan(up_to(evidence, on(number)), number, then)


@settings(deadline=None)
@given(players(), DAYS, st.randoms(use_true_random=False))
def test_the_order_of_rows_does_not_matter(evidence: PlayerEvidence, number: int, random: object) -> None:
    def mixed(rows: tuple) -> tuple:
        rows = list(rows)
        random.shuffle(rows)  # type: ignore[attr-defined]
        return tuple(rows)

    other = replace(
        evidence,
        given=mixed(evidence.given),
        practice=mixed(evidence.practice),
        recorded=mixed(evidence.recorded),
        free={fault: mixed(days) for fault, days in reversed(evidence.free.items())},
        baselines=mixed(evidence.baselines),
        holds=mixed(evidence.holds),
    )
    gains = readings(evidence)
    assert plan(other, number, gains) == plan(evidence, number, gains)


@settings(deadline=None)
@given(players(), DAYS, st.integers(-400, 4000))
def test_a_shift_of_all_days_shifts_the_plan_alike(evidence: PlayerEvidence, number: int, days: int) -> None:
    by = dt.timedelta(days=days)
    here = plan(evidence, number, readings(evidence))
    there = plan(shifted(evidence, days), number + days, readings(shifted(evidence, days), days))
    assert (there.state, there.reason, there.drill, there.lacks) == (
        here.state,
        here.reason,
        here.drill,
        here.lacks,
    )
    for name in ("since", "given", "next_check"):
        earlier, later = getattr(here, name), getattr(there, name)
        assert later == (earlier and earlier + by), name


@settings(deadline=None)
@given(players())
def test_one_drill_at_a_time(evidence: PlayerEvidence) -> None:
    rules = load_plan_rules()
    on_drills = courses(evidence, on(120), facts=FACTS, channels=CHANNELS, rules=rules)
    for number in range(0, 121, 5):
        active = [
            each
            for each in on_drills
            if each.given <= on(number) and (each.end is None or on(number) < each.end)
        ]
        assert len(active) <= 1
        if active:
            reported = plan(evidence, number, readings(evidence))
            assert reported.state == "returned" or (reported.drill, reported.fault) == (
                active[0].drill,
                active[0].fault,
            )


@settings(deadline=None)
@given(players(), DAYS)
def test_since_holds_on_its_day_and_not_on_the_day_before(evidence: PlayerEvidence, number: int) -> None:
    gains = readings(evidence)
    now = plan(evidence, number, gains)
    if now.since is None or now.state == "waits":
        return
    first = (now.since - on(0)).days
    for day in range(first, number + 1):
        assert plan(evidence, day, gains).state == now.state, day
    if now.given is not None and now.since > now.given:
        assert plan(evidence, first - 1, gains).state != now.state or now.state == "returned"
