"""The six states, by hand-made evidence: one test a rule of `plan.toml`."""

from __future__ import annotations

import pytest
from plan_fakes import (
    DRILL,
    FAULT,
    OTHER,
    SECOND,
    evidence,
    free,
    gains_of,
    given,
    on,
    plan,
    practised,
    retest,
)

from faultml.plan.records import Baseline, GivenDrill, Hold, PlayerEvidence, RecordedPractice
from faultml.plan.rules import State, load_plan_rules
from faultml.plan.table import plan_row
from faultml.plan.words import reason_words

DAILY = practised(*range(1, 60))
NO_GAIN, GAIN, WIDE = (0.0, -2.0, 2.0), (6.0, 2.0, 10.0), (3.0, -2.0, 8.0)
SESSIONS = (free(-7), free(0), free(10), free(20), free(25))


def judged(
    number: int, reading: tuple[float, float, float], *days: object, **more: object
) -> tuple[State, str]:
    reported = plan(
        evidence(*(days or SESSIONS), **more), number, gains_of(dict.fromkeys(range(60), reading))
    )
    return reported.state, reported.reason


def test_nothing_given_is_free_to_start() -> None:
    reported = plan(PlayerEvidence(free={FAULT: (free(0),)}), 5)
    assert (reported.state, reported.reason, reported.drill, reported.since) == (
        "start",
        "none-given",
        "",
        None,
    )


def test_a_drill_given_later_is_not_known_before() -> None:
    assert plan(evidence(drills=(given(8),)), 7).state == "start"
    assert plan(evidence(drills=(given(8),)), 8).state == "carry on"


@pytest.mark.parametrize(
    ("practice", "number", "reason"),
    [
        (practised(1, 2, 3), 13, "practise"),
        (practised(*range(1, 8)), 24, "practise"),
        (practised(*range(1, 9)), 24, "undecided"),
        ((), 13, "practice-unknown"),
        ((), 14, "record"),
        ((), 20, "undecided"),
    ],
)
def test_it_is_carried_on_until_enough_was_practised(practice: tuple, number: int, reason: str) -> None:
    assert judged(number, WIDE, practice=practice) == ("carry on", reason)


def test_another_drills_practice_does_not_count() -> None:
    reported = plan(evidence(practice=practised(1, 2, drill=SECOND)), 5)
    assert reported.progress is not None
    assert reported.progress.practice_days is None, "unknown, never none"


def test_recorded_practice_counts_as_a_day_of_so_many_sets_as_its_swings_make_up() -> None:
    recorded = (RecordedPractice(on(3), 16), RecordedPractice(on(4), 80))
    reported = plan(evidence(practice=practised(5, sets=1), recorded=recorded), 10)
    assert reported.progress is not None
    assert reported.progress.practice_days == 3
    assert reported.progress.sets_done == 2 + 3 + 1


@pytest.mark.parametrize(
    ("days", "reason"),
    [
        ((free(0), free(10, swings=30)), "record"),
        ((free(0), free(10, swings=9), free(20, swings=10)), "record"),
        ((free(0), free(10, swings=10), free(20, swings=10)), "undecided"),
    ],
)
def test_it_is_carried_on_until_twenty_swings_in_two_sessions(days: tuple, reason: str) -> None:
    assert judged(22, WIDE, *days, practice=DAILY) == ("carry on", reason)


def test_it_is_changed_where_it_was_practised_and_no_gain_is_left_possible() -> None:
    enough = practised(*range(1, 10))  # 27 of 45 sets: 60 %
    assert judged(20, NO_GAIN, practice=enough) == ("carry on", "undecided"), "not three weeks yet"
    assert judged(21, NO_GAIN, practice=enough) == ("change", "no-gain")
    assert judged(21, (0.0, -2.0, 3.0), practice=enough) == ("carry on", "undecided")
    assert judged(21, NO_GAIN, practice=practised(*range(1, 9))) == ("carry on", "little-practice")
    assert judged(25, NO_GAIN) == ("carry on", "practice-not-noted"), "unknown is not done"


def test_a_full_trial_counts_however_long_ago() -> None:
    reported = plan(evidence(*SESSIONS, practice=practised(*range(1, 16))), 60, gains_of({25: NO_GAIN}))
    assert (reported.state, reported.since) == ("change", on(25))


@pytest.mark.parametrize(
    ("days", "sets"), [((1, 22), 3), ((1, 21), 6), (tuple(range(15, 25)), 30), ((0, 20), 6), ((0, 21), 3)]
)
def test_planned_sets_are_counted_in_the_fullest_three_weeks(days: tuple[int, ...], sets: int) -> None:
    reported = plan(evidence(practice=practised(*days)), 40)
    assert reported.progress is not None
    assert (reported.progress.sets_done, reported.progress.sets_planned) == (sets, 45)


def test_since_is_the_first_day_of_the_state() -> None:
    readings = gains_of({10: WIDE, 20: WIDE, 25: NO_GAIN})
    reported = plan(evidence(*SESSIONS, practice=DAILY), 40, readings)
    assert (reported.state, reported.reason, reported.since) == ("change", "no-gain", on(25))
    assert plan(evidence(*SESSIONS, practice=DAILY), 24, readings).since == on(0)


def test_a_state_may_begin_on_a_day_on_which_nothing_happened() -> None:
    reported = plan(evidence(*SESSIONS[:4], practice=practised(*range(1, 10))), 30, gains_of({20: NO_GAIN}))
    assert (reported.reason, reported.since) == ("no-gain", on(21)), "the three weeks were over"


def test_it_is_changed_at_once_where_two_sessions_in_a_row_are_worse() -> None:
    worse = (free(-7, 10.0), free(0, 10.0), free(2, 13.1))
    assert judged(3, WIDE, *worse) == ("carry on", "practice-unknown")
    assert judged(4, WIDE, *worse, free(4, 13.1)) == ("change", "worse")
    assert judged(4, WIDE, *worse, free(4, 12.9))[0] == "carry on"
    assert judged(4, WIDE, *worse, free(4, 13.1, swings=4))[0] == "carry on", "too few swings to tell"
    assert judged(6, WIDE, *worse, free(4, 13.1), free(6, 11.0))[0] == "carry on", "not in a row"


def test_a_gain_is_reported_and_carried_on() -> None:
    assert judged(25, GAIN, practice=DAILY) == ("carry on", "gaining")
    assert judged(55, GAIN, practice=DAILY) == ("carry on", "gaining")
    reached = (*SESSIONS, free(40, inside=10), free(50, inside=10))
    assert judged(56, GAIN, *reached, practice=DAILY) == ("carry on", "gaining")
    one = (free(0), free(10, swings=30))
    assert judged(22, GAIN, *one, practice=DAILY) == ("carry on", "record"), "one session is a day's luck"


def test_a_gain_that_stops_short_of_the_edge_is_left_to_the_coach() -> None:
    reported = plan(evidence(*SESSIONS, practice=DAILY), 56, gains_of({25: GAIN}))
    assert (reported.state, reported.reason) == ("carry on", "stopped-short")
    assert reported.check is not None and (reported.check.outside, reported.check.swings) == (24, 24)
    words = reason_words(reported, load_plan_rules())
    assert words.startswith("Gained, stopped short: 6 degrees better")
    assert "after 8 weeks 24 of the last 24 swings" in words and "coach decides" in words


def test_after_six_weeks_without_an_answer_the_coach_decides() -> None:
    assert judged(41, WIDE, practice=DAILY)[1] == "undecided"
    reported = plan(evidence(*SESSIONS, practice=DAILY), 42, gains_of({25: WIDE}))
    assert (reported.state, reported.reason, reported.lacks) == ("carry on", "cannot-tell", ("wide",))
    unknown = plan(evidence(free(0)), 42)
    assert unknown.lacks == ("practice-unknown", "recordings")
    one = reason_words(plan(evidence(free(3)), 42), load_plan_rules())
    assert "swings without feedback in 1 session." in one
    nothing_before = plan(evidence(*SESSIONS[2:], practice=DAILY), 42)
    assert nothing_before.lacks == ("before",)


def test_it_is_done_after_two_retests_far_enough_apart() -> None:
    reported = plan(evidence(free(0), retest(10, 8), retest(24, 9)), 30)
    assert (reported.state, reported.reason, reported.since) == ("done", "seldom-shows", on(24))
    assert reported.retests is not None
    assert (reported.retests.inside, reported.retests.swings) == (17, 20)
    assert reported.next_check == on(54)
    assert plan(evidence(free(0), retest(10, 8), retest(24, 9)), 23).state == "carry on"


@pytest.mark.parametrize(
    "tests",
    [
        (retest(10, 8), retest(23, 9)),
        (retest(10, 8), retest(24, 8)),
        (retest(24, 17, swings=20),),
        (retest(10, 7, swings=8), retest(24, 10)),
        (retest(10, 9), retest(15, 2), retest(24, 9)),
        (retest(0, 10), retest(24, 9)),
    ],
    ids=["13 days", "16 of 20", "one", "18 swings", "one between failed", "on the day it was given"],
)
def test_it_is_not_done(tests: tuple) -> None:
    assert plan(evidence(free(-3), *tests), 30).state == "carry on"


def test_a_retest_on_a_day_of_practice_is_none() -> None:
    tests = (retest(10, 10), retest(24, 10))
    assert plan(evidence(*tests, practice=practised(24)), 30).state == "carry on"
    assert plan(evidence(*tests, practice=practised(23)), 30).state == "done"


def test_what_is_done_is_checked_each_month() -> None:
    tests = (retest(10, 10), retest(24, 10))
    assert plan(evidence(*tests), 53).reason == "seldom-shows"
    due = plan(evidence(*tests), 54)
    assert (due.state, due.reason, due.since) == ("done", "check-due", on(24))
    looked = plan(evidence(*tests, free(50, inside=11)), 60)
    assert (looked.reason, looked.next_check) == ("seldom-shows", on(80))


def test_a_fault_that_shows_again_has_returned() -> None:
    tests = (retest(10, 10), retest(24, 10))
    few = (free(40, swings=10, inside=3),)
    assert plan(evidence(*tests, *few), 45).state == "done", "19 swings or fewer do not tell"
    again = plan(evidence(*tests, *few, free(50, swings=10, inside=10)), 55)
    assert (again.state, again.since) == ("returned", on(50))
    assert again.check is not None
    assert (again.check.outside, again.check.swings) == (7, 20)
    still = plan(evidence(*tests, free(40, swings=10, inside=4), free(50, swings=10, inside=10)), 55)
    assert still.state == "done", "30 % is not more than 30 %"
    later = plan(evidence(*tests, *few, free(50, swings=10, inside=10), free(60, swings=40, inside=40)), 65)
    assert later.state == "returned", "it stays, until a drill is given again"


def test_swings_before_the_sensor_moved_do_not_bring_a_fault_back() -> None:
    days = (retest(10, 10), retest(24, 10), free(40, inside=0), free(50, inside=10))
    assert plan(evidence(*days), 55).state == "returned"
    assert plan(evidence(*days, baselines=(Baseline(on(45), "sensor"),)), 55).state == "done"


def test_waiting_stops_the_clock() -> None:
    hold = Hold(on(10), on(20))
    waits = plan(evidence(free(0), holds=(hold,)), 15)
    assert (waits.state, waits.reason, waits.since) == ("waits", "paused", on(10))
    assert waits.progress is not None
    assert waits.progress.days == 10
    after = plan(evidence(free(0), holds=(hold,)), 20)
    assert (after.state, after.since) == ("carry on", on(20))
    assert judged(51, WIDE, practice=DAILY, holds=(hold,))[1] == "undecided"
    assert judged(52, WIDE, practice=DAILY, holds=(hold,))[1] == "cannot-tell"
    practised_then = plan(evidence(practice=practised(11, 12), holds=(hold,)), 25)
    assert practised_then.progress is not None
    assert practised_then.progress.practice_days is None


def test_nothing_is_started_while_care_holds_every_drill() -> None:
    held = plan(evidence(drills=(), holds=(Hold(on(3)),)), 9)
    assert (held.state, held.since, held.drill) == ("waits", on(3), "")


def test_a_drill_that_care_will_not_give_again_is_changed() -> None:
    reported = plan(evidence(holds=(Hold(on(5), drill=DRILL, kind="barred"),)), 9)
    assert (reported.state, reported.reason, reported.since) == ("change", "barred", on(5))
    other = plan(evidence(holds=(Hold(on(5), drill=SECOND, kind="barred"),)), 9)
    assert other.state == "carry on"


@pytest.mark.parametrize("why", ["sensor", "grip"])
def test_a_new_baseline_counts_from_the_first_session_after_it(why: str) -> None:
    moved = (Baseline(on(12), why),)  # type: ignore[arg-type]
    reported = plan(evidence(*SESSIONS, practice=DAILY, baselines=moved), 30)
    assert reported.progress is not None
    assert reported.progress.counted_from == on(20)
    assert (reported.progress.days, reported.progress.free_sessions) == (10, 1)
    before = plan(evidence(*SESSIONS, practice=DAILY, baselines=moved), 11)
    assert before.progress is not None
    assert before.progress.counted_from == on(0)


def test_only_a_move_of_the_faults_own_channel_is_a_baseline() -> None:
    other = plan(evidence(*SESSIONS, baselines=(Baseline(on(12), "address", "ulnar_deg"),)), 30)
    own = plan(evidence(*SESSIONS, baselines=(Baseline(on(12), "address", "flexion_deg"),)), 30)
    setup = plan(
        evidence(
            *SESSIONS,
            drills=(given(0, "drill_setup"),),
            baselines=(Baseline(on(12), "address", "flexion_deg"),),
        ),
        30,
    )
    starts = [each.progress and each.progress.counted_from for each in (other, own, setup)]
    assert starts == [on(0), on(20), on(0)], "a drill of the setup is meant to move it"


def test_sessions_before_a_baseline_say_nothing_of_worse() -> None:
    worse = (free(0, 0.0), free(10, 13.0), free(11, 13.0))
    assert judged(12, WIDE, *worse) == ("change", "worse")
    assert judged(12, WIDE, *worse, baselines=(Baseline(on(9), "sensor"),))[0] == "carry on"


def test_a_new_drill_takes_the_place_of_the_old_one() -> None:
    drills = (given(0), given(10, SECOND, OTHER))
    assert (plan(evidence(drills=drills), 9).drill, plan(evidence(drills=drills), 10).drill) == (
        DRILL,
        SECOND,
    )


def test_of_two_drills_of_a_day_the_later_note_counts() -> None:
    drills = (given(0, SECOND, OTHER, "2031-03-01T09:00:00Z"), given(0, DRILL, FAULT, "2031-03-01T10:00:00Z"))
    assert plan(evidence(drills=drills), 5).drill == DRILL
    assert plan(evidence(drills=drills[::-1]), 5).drill == DRILL


def test_the_same_drill_given_again_goes_on() -> None:
    reported = plan(evidence(*SESSIONS, drills=(given(0), given(10), given(20)), practice=DAILY), 30)
    assert (reported.given, reported.since) == (on(0), on(0))
    again = plan(evidence(retest(10, 10), retest(24, 10), drills=(given(0), given(40))), 45)
    assert (again.state, again.given) == ("carry on", on(40)), "done before: it begins anew"


def test_what_was_changed_is_remembered() -> None:
    reported = plan(
        evidence(*SESSIONS, drills=(given(0), given(30, SECOND)), practice=DAILY), 31, gains_of({25: NO_GAIN})
    )
    assert reported.tried == ((DRILL, FAULT),)


def test_another_fault_that_returns_is_reported_beside_the_active_drill() -> None:
    days = (retest(10, 10), retest(24, 10), free(40, swings=20, inside=5))
    drills = (given(0), given(30, SECOND, OTHER))
    active = plan(evidence(*days, drills=drills), 45)
    assert (active.state, active.drill, active.returned) == ("carry on", SECOND, (FAULT,))
    assert plan(evidence(*days, drills=drills), 39).finished == (FAULT,)
    other_done = PlayerEvidence(given=drills, free={FAULT: days, OTHER: (retest(32, 10), retest(46, 10))})
    reported = plan(other_done, 50)
    assert (reported.state, reported.fault, reported.finished) == ("returned", FAULT, (OTHER,))


def test_without_dates_the_coach_decides() -> None:
    session_name = PlayerEvidence(given=(GivenDrill(DRILL, FAULT, None),))
    assert (plan(session_name, 9).state, plan(session_name, 9).reason) == ("carry on", "undated")
    undated = plan(evidence(undated=True), 9)
    assert (undated.reason, undated.since) == ("undated", on(0))


@pytest.mark.parametrize(
    ("inside", "low", "joined"),
    [(7, 2.0, "was not passed (7 of 10"), (9, -2.0, "was passed (9 of 10"), (7, -2.0, ""), (9, 2.0, "")],
)
def test_a_retest_and_a_change_that_seem_to_disagree_are_joined(inside: int, low: float, joined: str) -> None:
    """Whatever the state: the change is printed beside it even while practice is too little to judge."""
    reported = plan(
        evidence(free(-3), retest(21, inside), practice=practised(1)), 22, gains_of({21: (6.0, low, 9.0)})
    )
    assert reported.state == "carry on"
    words = reason_words(reported, load_plan_rules())
    assert ("The re-test of 2031-03-22" in words) is bool(joined)
    if joined:
        assert f"{joined} swings inside the corridor, 8 of 10 needed)" in words
        assert "6 degrees better" in words and "e-tests decide when it is done" in words
    row = plan_row("p1", reported, on(22), ())
    assert (row.retest_on, row.retest_inside, row.retest_swings) == ("2031-03-22", inside, 10)


def test_a_retest_on_a_day_of_noted_practice_joins_nothing() -> None:
    reported = plan(
        evidence(free(-3), retest(21, 2), practice=practised(1, 21)), 22, gains_of({21: (6.0, 2.0, 9.0)})
    )
    assert reported.last_retest is None
    assert "re-test" not in reason_words(reported, load_plan_rules()).casefold()
