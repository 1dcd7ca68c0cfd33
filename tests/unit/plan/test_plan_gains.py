"""The gain as it was known after each session, from session sums whose true change is known."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest
from outcome_fakes import FAULT, sums_of
from plan_fakes import on

from faultml.coaching.rules import load_coaching
from faultml.faults.catalogue import load_catalogue
from faultml.outcomes.change import changes
from faultml.plan.evidence import (
    GivenNote,
    SeasonFacts,
    SessionMove,
    StoreNotes,
    drill_facts,
    fault_channels,
    player_evidence,
)
from faultml.plan.gains import season_gains
from faultml.plan.lesson import lesson_plans
from faultml.plan.practice import BaselineNote, PracticeNote
from faultml.plan.rules import load_plan_rules
from faultml.plan.state import courses

COACHING = load_coaching(load_catalogue())
DRILL = next(
    drill
    for drill, served in COACHING.serving.items()
    if FAULT in served and COACHING.book[drill].phase != "setup"
)
EDGE = COACHING.catalogue[FAULT].edge
GIVEN = 14
NOTES = StoreNotes(
    given=(GivenNote("p0", DRILL, FAULT, on(GIVEN).isoformat()),),
    practice=tuple(PracticeNote("p0", DRILL, on(day).isoformat(), 3) for day in range(15, 60)),
)


def season(change_deg: float = -8.0) -> pd.DataFrame:
    """Five players, a session a week; the first changes by so much after the third session."""
    random = np.random.default_rng(3)
    rows = []
    for player in range(5):
        for day in range(0, 64, 7):
            past = 9.0 + (change_deg if player == 0 and day > GIVEN else 0.0)
            measure = EDGE + past + random.normal(0, 1.0) + random.normal(0, 3.0, 12)
            rows.append(sums_of(f"p{player}", on(day).isoformat(), measure))
    frame = pd.DataFrame(rows)
    return frame.assign(n_inside=frame["n_measured"] - frame["p"])


def facts_of(frame: pd.DataFrame, moves: tuple[SessionMove, ...] = ()) -> SeasonFacts:
    sessions = frame[["player", "session", "context"]].drop_duplicates().assign(n_swings=12.0)
    return SeasonFacts(frame, sessions, moves)


def gains_on(frame: pd.DataFrame, day: int, notes: StoreNotes = NOTES) -> dict:
    rules, last = load_plan_rules(), on(day)
    evidence = player_evidence(notes, facts_of(frame), COACHING.catalogue, {})
    known = {"facts": drill_facts(COACHING.book), "channels": fault_channels(COACHING.catalogue)}
    given = {player: courses(each, last, rules=rules, **known) for player, each in evidence.items()}
    return dict(season_gains(frame, given, COACHING.catalogue, last, rules)["p0"])


def key(day: int, start: int = GIVEN) -> tuple[str, dt.date, dt.date]:
    return FAULT, on(start), on(day)


def test_a_true_change_is_read() -> None:
    gain = gains_on(season(), 63)[key(63)]
    assert gain.lo < 8.0 < gain.hi
    assert gain.gain == pytest.approx(8.0, abs=2.5)
    assert (gain.unit, gain.scale) == ("deg", 1.0)


def test_a_gain_is_what_was_known_then() -> None:
    frame = season()
    early = gains_on(frame[frame["session"] <= on(42).isoformat()], 42)
    assert gains_on(frame, 63)[key(42)] == early[key(42)]
    assert gains_on(frame, 42) == early


def test_only_sessions_on_which_something_is_decided_are_read() -> None:
    assert set(gains_on(season(), 28)) == {key(28)}, "nothing is judged before three weeks"
    unpractised = StoreNotes(given=NOTES.given)
    assert set(gains_on(season(), 63, unpractised)) == {key(63)}


def test_after_a_baseline_the_first_session_is_what_is_compared_with() -> None:
    moved = StoreNotes(NOTES.given, NOTES.practice, (BaselineNote("p0", on(22).isoformat(), "grip"),))
    found = gains_on(season(), 63, moved)
    gain = found[key(63, start=28)]
    assert abs(gain.gain) < 4.0, "the change came before the grip did"
    assert gain.lo < 0.0 < gain.hi


def test_the_plan_of_a_season_with_and_without_effect() -> None:
    facts = {effect: facts_of(season(effect)) for effect in (-8.0, 0.0)}
    states = {effect: lesson_plans(NOTES, each, COACHING, on(63))["p0"] for effect, each in facts.items()}
    assert states[-8.0].reason == "gaining"
    assert states[0.0].reason in ("no-gain", "undecided", "cannot-tell")
    assert states[0.0].progress is not None and states[-8.0].progress is not None
    assert states[0.0].progress.gain is not None and states[-8.0].progress.gain is not None
    assert states[0.0].progress.gain.hi < states[-8.0].progress.gain.hi


def test_since_is_the_session_that_decided_and_not_the_last_one() -> None:
    facts = facts_of(season(3.0))
    reported = lesson_plans(NOTES, facts, COACHING, on(63))["p0"]
    assert reported.state == "change"
    assert reported.since is not None and on(GIVEN) < reported.since < on(56)
    before = reported.since - dt.timedelta(days=1)
    assert lesson_plans(NOTES, facts, COACHING, reported.since)["p0"].state == "change"
    assert lesson_plans(NOTES, facts, COACHING, before)["p0"].state == "carry on"


def test_row_order_does_not_matter() -> None:
    frame = season()
    mixed = frame.sample(frac=1.0, random_state=5).reset_index(drop=True)
    notes = StoreNotes(NOTES.given[::-1], NOTES.practice[::-1])
    for day in (30, 45, 63):
        assert lesson_plans(notes, facts_of(mixed), COACHING, on(day)) == lesson_plans(
            NOTES, facts_of(frame), COACHING, on(day)
        )


def test_a_moved_address_counts_in_the_faults_own_channel() -> None:
    channel = fault_channels(COACHING.catalogue)[FAULT]
    other = next(name for name in ("flexion_deg", "ulnar_deg") if name != channel)
    starts = {}
    for name in (channel, other):
        moves = (SessionMove("p0", on(28).isoformat(), name),)
        reported = lesson_plans(NOTES, facts_of(season(), moves), COACHING, on(63))["p0"]
        assert reported.progress is not None
        starts[name] = reported.progress.counted_from
    assert starts == {channel: on(28), other: on(GIVEN)}


def test_a_day_of_recorded_practice_is_no_day_without_feedback() -> None:
    frame = season()
    practice = frame[(frame["player"] == "p0") & (frame["session"] == on(63).isoformat())]
    both = pd.concat([frame, practice.assign(context="practice")], ignore_index=True)
    with_practice = lesson_plans(NOTES, facts_of(both), COACHING, on(63))["p0"]
    without = lesson_plans(NOTES, facts_of(frame), COACHING, on(63))["p0"]
    assert with_practice.progress is not None and without.progress is not None
    assert with_practice.progress.free_sessions == without.progress.free_sessions - 1


def test_the_gain_of_the_last_day_is_the_change_that_outcomes_shows() -> None:
    """Other players' later sessions, and drills given to them since, count in both; one figure for one drill."""
    frame = season()
    frame = frame[~((frame["player"] == "p0") & (frame["session"] > on(49).isoformat()))]
    notes = StoreNotes((*NOTES.given, GivenNote("p3", DRILL, FAULT, on(52).isoformat())), NOTES.practice)
    gain = lesson_plans(notes, facts_of(frame), COACHING, on(63))["p0"].progress.gain
    assigned = pd.DataFrame(
        [(each.player, each.drill, each.fault, each.since) for each in notes.given],
        columns=["player", "drill", "fault", "since"],
    )
    row = changes(frame, assigned, COACHING.catalogue).iloc[0]
    assert (gain.gain, gain.lo, gain.hi) == (-row["change"], -row["change_hi"], -row["change_lo"])
    early = lesson_plans(notes, facts_of(frame), COACHING, on(51))["p0"].progress.gain
    assert early.gain != gain.gain, "it is the figure of the day asked for"


def test_a_gain_known_before_is_the_same_read_again() -> None:
    """What an earlier call has read on its last day does not stand in for what is known later."""
    frame, rules = season(), load_plan_rules()
    frame = frame[~((frame["player"] == "p0") & (frame["session"] > on(49).isoformat()))]
    evidence = player_evidence(NOTES, facts_of(frame), COACHING.catalogue, {})
    known = {"facts": drill_facts(COACHING.book), "channels": fault_channels(COACHING.catalogue)}

    def read(last: dt.date, before: dict | None) -> dict:
        own = {player: courses(each, last, rules=rules, **known) for player, each in evidence.items()}
        return season_gains(frame, own, COACHING.catalogue, last, rules, before)

    assert read(on(63), read(on(58), None)) == read(on(63), None)


def test_play_beside_practice_on_the_day_a_drill_was_given_is_before_it() -> None:
    """As in outcomes: sessions that are worse only than those of weeks ago were as bad on the day of the drill."""
    frame = season(0.0)
    own = frame["player"] == "p0"
    early, late = (
        own & (frame["session"] < on(GIVEN).isoformat()),
        own & (frame["session"] >= on(GIVEN).isoformat()),
    )
    shift = pd.Series(0.0, index=frame.index).mask(early, -7.0)
    frame = frame.assign(measure=frame["measure"] + shift * frame["n_measured"])
    day_given = frame[late].head(1).assign(context="practice")
    both = pd.concat([frame, day_given], ignore_index=True)
    unpractised = StoreNotes(given=NOTES.given)
    assert lesson_plans(unpractised, facts_of(both), COACHING, on(30))["p0"].reason != "worse"
    apart = both[~(own.reindex(both.index, fill_value=True) & (both["session"] == on(GIVEN).isoformat()))]
    assert lesson_plans(unpractised, facts_of(apart), COACHING, on(30))["p0"].reason == "worse"
