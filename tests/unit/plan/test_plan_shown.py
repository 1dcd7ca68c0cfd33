"""Plans as they are shown: care of today, what the season says of the fault, and days of one calendar."""

from __future__ import annotations

import datetime as dt

import msgspec
import pandas as pd
import pytest
from plan_fakes import on

from faultml.care.body import PlayerBody, Said
from faultml.care.known import Known
from faultml.coaching.book import load_book
from faultml.coaching.notes import note_text, write
from faultml.coaching.rules import load_coaching
from faultml.faults.catalogue import load_catalogue
from faultml.plan.evidence import GivenNote, StoreNotes
from faultml.plan.lines import plan_lines
from faultml.plan.records import LessonPlan, Progress
from faultml.plan.shown import SAID_BY_PLAN, SeasonSays, season_says, shown_rows
from faultml.plan.table import PlanRow, plan_row
from faultml.recordings.roster_cells import HISTORIES

COACHING = load_coaching(load_catalogue())
PLAIN = next(drill for drill in load_book().drills if not drill.loads and drill.level == "any").id
SOUND = PlayerBody("p1", (Said(on(398), "none"),), birth_year=1990, histories=dict.fromkeys(HISTORIES, False))
HURTS = PlayerBody("p1", (Said(on(399), "hurts", "wrist"),), birth_year=1990)
CARRY = LessonPlan(
    "carry on", "undecided", PLAIN, "flip", on(0), on(0), on(40), Progress(on(0), 30, 9, 20.0, 45.0, 24, 2)
)
OVER, TODAY = on(30), on(400)
SAYS = SeasonSays(on(0), on(30))


def shown(
    plan: LessonPlan, body: PlayerBody, *, named: bool, today: dt.date = TODAY, says: SeasonSays = SAYS
) -> PlanRow:
    row = plan_row("p1", plan, OVER, ())
    return shown_rows([row], says, Known(bodies={"p1": body}), COACHING, today, named=named)[0]


def test_a_season_that_is_over_goes_by_what_care_says_today() -> None:
    """Pain of today is later than the last day of such a season, for which the plan is made."""
    row = shown(CARRY, HURTS, named=False)
    assert (row.state, row.reason, row.next_check, row.since) == ("waits", "paused", "", "")
    assert not any("Carry on" in line for line in plan_lines(row, COACHING))
    assert shown(CARRY, SOUND, named=False).state == "carry on"


def test_the_plan_of_a_named_day_stays_and_says_that_the_player_is_paused_today() -> None:
    row = shown(CARRY, HURTS, named=True)
    assert (row.state, row.since, row.ask) == ("carry on", on(0).isoformat(), ("paused",))
    assert plan_lines(row, COACHING)[-1].startswith("Paused: speak with the player")
    assert shown(CARRY, SOUND, named=True).ask == ()


@pytest.mark.parametrize(("began", "since"), [(-1500, ""), (10, on(10).isoformat())])
def test_a_pause_from_before_the_season_has_no_day_of_it(began: int, since: str) -> None:
    row = shown(LessonPlan("waits", "paused", since=on(began)), SOUND, named=True)
    assert row.since == since
    assert plan_lines(row, COACHING)[0] == (f"Waits, since {since}" if since else "Waits")


def drills(*codes: str) -> pd.DataFrame:
    notes = {
        "seldom-now": write("seldom-now", fault="flip", rate=0.1, flagged=1, swings=24),
        "style-now": write("style-now", fault="flip"),
        "not-assessed-now": write("not-assessed-now", fault="flip"),
        "window-met-meanwhile": write("window-met-meanwhile", met=9, swings=12),
        "low-evidence": write("low-evidence"),
        "weak-finding": write("weak-finding", why="inside-edge"),
    }
    data = [msgspec.json.encode(notes[code]).decode() for code in codes]
    return pd.DataFrame({"player": ["p1"], "drill": [PLAIN], "rank": [1], "note_data": [data]})


def test_carry_on_is_not_bare_where_the_season_says_more() -> None:
    """The fault seldom shows, is a style, is not assessed, or its window is met already: the plan says so itself."""
    says = season_says(
        drills(*SAID_BY_PLAN, "low-evidence"), [on(0).isoformat(), on(30).isoformat()], StoreNotes()
    )
    row = shown(CARRY, SOUND, named=True, says=says)
    notes = says.carried["p1", PLAIN]
    assert [note.code for note in notes] == list(SAID_BY_PLAN)
    assert all(note_text(note, COACHING) in row.words for note in notes)
    early = shown(CARRY, SOUND, named=True, says=later(says, last=on(31)))
    assert early.words == plan_row("p1", CARRY, OVER, ()).words, "that rests on sessions of later days"
    other = msgspec.structs.replace(row, drill="another")
    (again,) = shown_rows([other], says, Known(bodies={"p1": SOUND}), COACHING, TODAY, named=True)
    assert again.words == row.words


def later(says: SeasonSays, last: dt.date) -> SeasonSays:
    return SeasonSays(says.first, last, says.carried)


def test_the_season_begins_with_its_first_session_or_note() -> None:
    notes = StoreNotes((GivenNote("p1", PLAIN, "flip", on(-3).isoformat()),))
    says = season_says(drills("low-evidence"), [on(5).isoformat(), "a label", on(9).isoformat()], notes)
    assert (says.first, says.last, says.carried["p1", PLAIN]) == (on(-3), on(9), ())
    assert season_says(drills("low-evidence"), ["a label"], StoreNotes()).last is None


def test_a_start_that_is_too_weak_to_train_says_so() -> None:
    says = season_says(drills("weak-finding"), [on(0).isoformat()], StoreNotes())
    start = msgspec.structs.replace(
        plan_row("p1", LessonPlan("start", "none-given"), OVER, ((PLAIN, "flip"),)), player="p1"
    )
    (row,) = shown_rows([start], says, Known(bodies={"p1": SOUND}), COACHING, TODAY, named=True)
    assert row.drill == PLAIN and "Weak: watch it, no need to train it yet" in row.words
