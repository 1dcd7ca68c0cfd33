"""Rules and words of `plan.toml`, and the table that a plan is written to."""

from __future__ import annotations

import datetime as dt
from importlib import resources

import msgspec
import pandas as pd
import pytest
from plan_fakes import DRILL, FAULT, SECOND, evidence, free, gains_of, given, on, plan, practised, retest

from faultml.coaching.rules import load_coaching
from faultml.errors import CatalogueError, InputError
from faultml.faults.catalogue import load_catalogue
from faultml.plan.clock import Clock
from faultml.plan.lines import plan_lines
from faultml.plan.records import Check, Gain, Hold, LessonPlan, Progress, Retests
from faultml.plan.rules import LACKS, REASONS, decode_plan_rules, load_plan_rules
from faultml.plan.table import lesson_of, next_drill, plan_row, plans_frame, read_plan_rows
from faultml.plan.words import gain_words, reason_words

TEXT = resources.files("faultml.plan").joinpath("plan.toml").read_text(encoding="utf-8")
FULL = Progress(on(0), 30, 9, 27.0, 45.0, 24, 2, Gain(1.0, -2.0, 4.0, "deg", 1.0))


@pytest.mark.parametrize("figures", ["[day]", "[carry_on]", "[change]", "[done]", "[check]"])
def test_every_figure_says_that_it_has_no_source(figures: str) -> None:
    comment = TEXT[: TEXT.index(figures)].rstrip().rpartition("\n\n")[2]
    assert "practice, no source" in comment.lower()


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("practice_days = 8", "practice_days = 0"),
        ("planned_share = 0.60", "planned_share = 60"),
        ("retests = 2", "retests = 1"),
        ("inside = 17", "inside = 21"),
        ("gain_deg = 3.0", "gain = 3.0"),
        ('state = "returned"', 'state = "back"'),
        ("[reason.paused]", "[reason.hurts]"),
        ("wide = ", "narrow = "),
    ],
)
def test_rules_that_do_not_fit_are_refused(old: str, new: str) -> None:
    assert old in TEXT
    with pytest.raises(CatalogueError, match="bad-rules"):
        decode_plan_rules(TEXT.replace(old, new))


@pytest.mark.parametrize("code", REASONS)
def test_every_reason_has_a_sentence(code: str) -> None:
    rules = load_plan_rules()
    reported = LessonPlan(
        state=rules.reason[code].state,
        reason=code,
        progress=FULL,
        retests=Retests(on(10), on(24), 20, 18),
        lacks=LACKS,
        check=Check(24, 12),
    )
    if code == "shows-again":
        reported = plan(evidence(retest(10, 10), retest(24, 10), free(40, swings=20, inside=5)), 45)
        assert reported.reason == code
    words = reason_words(reported, rules)
    assert words.endswith(".")
    assert "{" not in words


def test_done_claims_no_effect_and_waits_says_nothing_of_health() -> None:
    words = {code: load_plan_rules().reason[code].words for code in ("seldom-shows", "paused")}
    assert "does not say that the drill did it" in words["seldom-shows"]
    assert words["paused"] == ("Paused: speak with the player before any drill. Days do not count meanwhile.")


def test_a_gain_in_words() -> None:
    assert gain_words(Gain(4.4, -1.0, 9.0, "deg", 1.0)) == (
        "4 degrees better, 90 % interval 1 degree worse to 9 degrees better"
    )
    assert gain_words(Gain(-0.03, -0.05, -0.01, "share", 100.0)).startswith("0.03 of the downswing worse")


def test_a_gain_is_held_against_the_rule_in_degrees() -> None:
    assert Gain(0.0, -0.01, 0.04, "share", 100.0).hi_deg == pytest.approx(4.0)


OPTIONS = ((DRILL, FAULT), (SECOND, FAULT), ("other", "flip"))


def test_what_may_be_started_next() -> None:
    tried = LessonPlan("change", "no-gain", drill=DRILL, fault=FAULT, tried=((DRILL, FAULT),))
    assert next_drill(tried, OPTIONS) == (SECOND, FAULT)
    done = LessonPlan("done", "seldom-shows", drill=DRILL, fault=FAULT, finished=(FAULT,))
    assert next_drill(done, OPTIONS) == ("other", "flip")
    assert next_drill(LessonPlan("waits", "paused"), OPTIONS) == ("", "")
    assert next_drill(LessonPlan("start", "none-given"), ()) == ("", "")


def test_nothing_is_offered_beside_an_active_drill() -> None:
    for number, holds in ((5, ()), (5, (Hold(on(3)),))):
        row = plan_row("p1", plan(evidence(holds=holds), number), on(number), OPTIONS)
        assert (row.active, row.drill, row.next_drill) == (True, DRILL, "")
    start = plan_row("p1", LessonPlan("start", "none-given"), on(5), OPTIONS)
    assert (start.drill, start.next_drill, start.active) == (DRILL, "", False)


def test_the_ranking_knows_what_the_player_is_on() -> None:
    lesson = lesson_of(plan(evidence(), 5))
    assert (lesson.drill, lesson.fault, lesson.given) == (DRILL, FAULT, "2031-03-01")
    sessions = (free(-7), free(0), free(10), free(20), free(25))
    change = plan(evidence(*sessions, practice=practised(*range(1, 20))), 30, gains_of({25: (0, -2, 2)}))
    assert change.state == "change"
    assert lesson_of(change).drill == ""
    assert lesson_of(change).tried == ((DRILL, FAULT),)


def test_the_table_reads_back() -> None:
    reported = plan(evidence(retest(10, 10), retest(24, 10), drills=(given(0),)), 30)
    rows = [
        plan_row("p1", reported, on(30), OPTIONS),
        plan_row("p2", LessonPlan("start", "none-given"), on(30), ()),
    ]
    assert read_plan_rows(plans_frame(rows)) == {row.player: row for row in rows}
    assert read_plan_rows(None) == {}
    with pytest.raises(InputError, match="damaged-results"):
        read_plan_rows(plans_frame(rows).assign(state="on"))
    with pytest.raises(InputError, match="damaged-results"):
        read_plan_rows(pd.DataFrame({"player": ["p1"], "odd": [1]}))


def test_the_clock_leaves_held_days_out() -> None:
    clock = Clock.of(DRILL, [Hold(on(10), on(20)), Hold(on(15), on(22)), Hold(on(5), on(6), SECOND)])
    assert [clock.days(on(0), on(day)) for day in (5, 10, 12, 22, 30)] == [5, 10, 10, 10, 18]
    assert clock.day_after(on(0), 10) == on(10)
    assert clock.day_after(on(0), 11) == on(23)
    assert clock.held_since(on(21)) == on(10)
    assert Clock.of("", [Hold(on(10))]).day_after(on(0), 11) is None
    assert Clock.of("", []).day_after(on(0), 0) == dt.date(2031, 3, 1)


def test_a_check_that_is_past_is_due_and_a_new_baseline_says_why_it_counts_later() -> None:
    coaching = load_coaching(load_catalogue())
    row = plan_row("p1", plan(evidence(), 10), on(10), ())
    later = msgspec.structs.replace(row, next_check=on(11).isoformat())
    due = msgspec.structs.replace(row, next_check=on(9).isoformat())
    assert f"Next check from {on(11)} on." in plan_lines(later, coaching)
    assert f"Next check due since {on(9)}." in plan_lines(due, coaching)
    assert row.given == row.counted_from
    assert "Counted from" not in " ".join(plan_lines(row, coaching))
    moved = msgspec.structs.replace(row, counted_from=on(5).isoformat())
    assert f"Counted from {on(5)}, because angles from then on" in " ".join(plan_lines(moved, coaching))
