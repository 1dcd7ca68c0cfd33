"""The day where none is named, and drills where the coach's notes are younger than the results."""

from __future__ import annotations

import datetime as dt

import msgspec
import pytest
from plan_fakes import on

from faultml.coaching.book import load_book
from faultml.coaching.notes import Note
from faultml.coaching.records import PlayerDrill, PlayerPlan, window_cells
from faultml.plan.day import default_day
from faultml.plan.evidence import GivenNote, StoreNotes
from faultml.plan.followed import drills_followed
from faultml.plan.records import LessonPlan, PracticeNote, Progress
from faultml.plan.table import PlanRow, plan_row

BOOK = load_book()
FIRST, SECOND = BOOK.drills[0].id, BOOK.drills[5].id
SESSIONS = (on(0).isoformat(), f"{on(30).isoformat()} evening", "a label")


@pytest.mark.parametrize(
    ("today", "day"),
    [(on(30), on(30)), (on(90), on(90)), (on(91), on(30)), (on(29), on(30)), (on(-900), on(30))],
)
def test_today_while_the_season_is_under_way_else_its_last_day(today: dt.date, day: dt.date) -> None:
    reported = default_day(SESSIONS, None, today)
    assert reported.day == day
    assert bool(reported.words) is (day != today)


def test_a_note_keeps_a_season_under_way() -> None:
    practised = StoreNotes(practice=(PracticeNote("p1", FIRST, on(60).isoformat(), 3),))
    given = StoreNotes(given=(GivenNote("p1", FIRST, "flip", on(60).isoformat()),))
    for notes in (practised, given):
        assert default_day(SESSIONS, notes, on(110)).day == on(110)
        assert default_day(SESSIONS, notes, on(200)).day == on(60)


def test_a_season_without_dates_is_looked_at_today() -> None:
    assert default_day(["a label"], None, on(5)) == (on(5), "")


def drill_row(drill: str, rank: int, fault: str, *codes: str) -> PlayerDrill:
    return PlayerDrill(
        player="p1",
        rank=rank,
        drill=drill,
        priority=0.1,
        care="give",
        confidence="high",
        notes=tuple(Note(code) for code in codes),
        faults=(fault,),
        dose="",
        retest="",
        retest_due="2031-01-01",
        **window_cells(BOOK[drill].window),
    )


def row(state: str, reason: str, drill: str = FIRST, fault: str = "flip") -> PlanRow:
    progress = Progress(on(0), 30, 9, 20.0, 45.0, 24, 2)
    plan = LessonPlan(state, reason, drill, fault, on(0), on(0), on(40), progress)  # type: ignore[arg-type]
    return msgspec.structs.replace(plan_row("p1", LessonPlan("start", "none-given"), on(30), ()), **{
        "state": plan.state, "reason": plan.reason, "drill": drill, "fault": fault,
        "given": on(0).isoformat(), "next_check": on(40).isoformat(),
    })  # fmt: skip


PLAN = PlayerPlan(
    player="p1",
    faults=(),
    drills=(drill_row(FIRST, 1, "flip"), drill_row(SECOND, 2, "overset")),
)


def order(plan: PlayerPlan) -> list[tuple[str, int]]:
    return [(each.drill, each.rank) for each in plan.drills]


def test_the_drill_the_player_is_on_stands_first_with_the_plans_date() -> None:
    now = drills_followed(PLAN, row("carry on", "undecided", SECOND, "overset"))
    assert order(now) == [(SECOND, 1), (FIRST, 2)]
    assert [each.retest_due for each in now.drills] == [on(40).isoformat(), "2031-01-01"]


def test_a_drill_given_since_is_not_shown_as_another_one() -> None:
    now = drills_followed(PLAN, row("carry on", "undecided", BOOK.drills[9].id))
    assert now.drills == () and now.no_drill is not None
    assert now.no_drill.reason == "given-since"


@pytest.mark.parametrize("state", ["change", "done"])
def test_a_drill_that_is_over_is_not_work_for_today(state: str) -> None:
    carried = msgspec.structs.replace(
        PLAN, drills=(drill_row(FIRST, 1, "flip", "carry-on"), *PLAN.drills[1:])
    )
    reason = "no-gain" if state == "change" else "seldom-shows"
    assert order(drills_followed(carried, row(state, reason))) == [(SECOND, 1)]
    alone = msgspec.structs.replace(carried, drills=carried.drills[:1])
    now = drills_followed(alone, row(state, reason))
    assert now.drills == () and now.no_drill is not None and now.no_drill.reason == "classify-again"


def test_a_fault_that_is_done_gets_no_other_drill() -> None:
    assert order(drills_followed(PLAN, row("done", "seldom-shows", SECOND, "flip"))) == [(SECOND, 1)]


def test_without_a_plan_nothing_changes() -> None:
    assert drills_followed(PLAN, None) is PLAN
    assert drills_followed(PLAN, row("start", "none-given")) is PLAN
