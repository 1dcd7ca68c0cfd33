"""What care says becomes days that do not count, and a plan written earlier gives way to what is known now."""

from __future__ import annotations

import datetime as dt

import msgspec
import pytest
from plan_fakes import on

from faultml.care.body import PlayerBody, Said
from faultml.care.known import Known
from faultml.coaching.book import load_book
from faultml.plan.evidence import GivenNote, StoreNotes
from faultml.plan.holds import care_holds, row_now
from faultml.plan.records import Hold, LessonPlan, Progress
from faultml.plan.table import PlanRow, plan_row
from faultml.recordings.roster_cells import HISTORIES as HISTORY_NAMES

BOOK = load_book()
LAG = next(drill for drill in BOOK.drills if "lag" in drill.loads).id
PLAIN = next(drill for drill in BOOK.drills if not drill.loads and drill.level == "any").id
OPTIONS = ((LAG, "flip"),)
FAR_AHEAD = on(400)
GROWN = {"birth_year": 1990}
HISTORIES = dict.fromkeys(HISTORY_NAMES, False)
HURTS, RETURN = (
    Said(on(10), "hurts", "wrist"),
    Said(on(20), "return", by="ann", role="coach", advice="a clinician"),
)


def holds(body: PlayerBody, day: int, drill: str = PLAIN, today: dt.date = FAR_AHEAD) -> list[Hold]:
    notes = StoreNotes(given=(GivenNote("p1", drill, "flip", on(0).isoformat()),))
    return care_holds(Known(bodies={"p1": body}), notes, BOOK, on(day), today).get("p1", [])


def test_pain_holds_every_drill_until_the_return() -> None:
    body = PlayerBody("p1", (RETURN, HURTS), **GROWN)
    assert holds(body, 30) == [Hold(on(10), on(20))]
    assert holds(body, 15) == [Hold(on(10))]
    assert holds(body, 9) == [], "what is said later does not change an earlier plan"


def test_pain_with_a_later_date_counts_today() -> None:
    body = PlayerBody("p1", (Said(on(99), "hurts", "wrist"),), **GROWN)
    assert holds(body, 9) == []
    assert holds(body, 9, today=on(9)) == [Hold(on(9))]


def test_a_history_bars_the_drill_and_no_other() -> None:
    body = PlayerBody("p1", histories={"ulnar_history": True}, **GROWN)
    barred = [name for name in (LAG, PLAIN) if holds(body, 5, name)]
    assert PLAIN not in barred
    young = PlayerBody("p1", under_16=True)
    braced = next(drill for drill in BOOK.drills if drill.level == "experienced").id
    assert holds(young, 5, braced) == [Hold(on(0), drill=braced, kind="barred")]


def test_a_roster_that_cannot_be_read_holds_from_the_first_day() -> None:
    assert holds(PlayerBody("p1", unread=True), 5) == [Hold(on(0))]


def row(plan: LessonPlan, options: tuple[tuple[str, str], ...] = ()) -> PlanRow:
    return plan_row("p1", plan, on(30), options)


ACTIVE = LessonPlan(
    "carry on", "undecided", PLAIN, "flip", on(0), on(0), on(40), Progress(on(0), 30, 9, 20.0, 45.0, 24, 2)
)


@pytest.mark.parametrize(
    ("plan", "drill"),
    [
        (LessonPlan("start", "none-given"), ""),
        (LessonPlan("change", "barred", PLAIN, "flip", on(0)), PLAIN),
    ],
)
def test_nothing_is_named_to_begin_for_somebody_in_pain(plan: LessonPlan, drill: str) -> None:
    now = row_now(row(plan, OPTIONS), PlayerBody("p1", (HURTS,), **GROWN), BOOK, on(31))
    assert (now.state, now.reason, now.drill, now.next_drill) == ("waits", "paused", drill, "")
    assert now.words == "Paused: speak with the player before any drill. Days do not count meanwhile."


def test_a_plan_gives_way_to_what_is_known_now() -> None:
    sound = PlayerBody("p1", **GROWN)
    now = row_now(row(ACTIVE), sound, BOOK, on(31))
    assert now.ask == ("ask-pain", "ask-history")[: len(now.ask)] and now.ask
    assert msgspec.structs.replace(now, ask=()) == row(ACTIVE)
    answered = PlayerBody("p1", (Said(on(30), "none"),), histories=HISTORIES, **GROWN)
    assert row_now(row(ACTIVE), answered, BOOK, on(31)) == row(ACTIVE)
    hurt = row_now(row(ACTIVE), PlayerBody("p1", (HURTS,), **GROWN), BOOK, on(31))
    assert (hurt.state, hurt.drill, hurt.since, hurt.next_check) == ("waits", PLAIN, on(31).isoformat(), "")
    assert hurt.ask == ()
    braced = next(drill for drill in BOOK.drills if drill.level == "experienced").id
    young = PlayerBody("p1", under_16=True)
    started = row(LessonPlan("start", "none-given"), ((braced, "flip"),))
    assert row_now(started, young, BOOK, on(31)).drill == ""
    active = row(LessonPlan("carry on", "undecided", braced, "flip", on(0), on(0), None, ACTIVE.progress))
    assert row_now(active, young, BOOK, on(31)).state == "change"
