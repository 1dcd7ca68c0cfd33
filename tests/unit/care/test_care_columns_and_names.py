"""Columns that are not known, quotes left open, and names spelt nearly alike hold whoever may be meant."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from faultml.care.check import care_stop
from faultml.care.known import known_from_file
from faultml.care.names import near
from faultml.care.statements import Statement, add_statements
from faultml.recordings.roster import read_roster
from faultml.store import open_store
from faultml.store.people import note_recorded

DAY = date(2024, 6, 3)
PLAYERS = ["p001", "p002", "p014"]


@pytest.fixture
def roster(tmp_path: Path) -> Path:
    return tmp_path / "roster.csv"


def stops(roster: Path) -> dict[str, str]:
    known = known_from_file(roster, PLAYERS, DAY)
    found = {player: care_stop(known.body(player), DAY) for player in PLAYERS}
    return {player: reason for player, reason in found.items() if reason}


@pytest.mark.parametrize(
    "column",
    [
        "injury",
        "hurts",
        "complaints",
        "Schmerz",
        "pain_now",
        "pain (2)",
        "thumb_history2",
        "born",
        "x",
        "notes",
        "note_",
    ],
)
def test_a_cell_in_an_unknown_column_holds_its_player_until_the_column_is_named(
    column: str, roster: Path
) -> None:
    text = "player,pain,{}\np001,none,wrist\np002,none,\np014,none, \n"
    roster.write_text(text.format(column), encoding="utf-8")
    assert stops(roster) == {"p001": "mend-roster"}
    problems = read_roster(roster).problems
    assert [(each.code, each.row) for each in problems] == [("unknown-column", 1)]
    assert problems[0].found.startswith(column.lower()) and "wrist" not in str(problems)
    for name in (f"note_{column}", "club"):
        roster.write_text(text.format(name), encoding="utf-8")
        assert stops(roster) == {} and read_roster(roster).problems == []


def test_a_column_without_a_name_and_a_row_without_a_player(roster: Path) -> None:
    roster.write_text("player,pain,\np001,none,sore\np002,none,\n", encoding="utf-8")
    # p014 has no row, and is held by nobody's.
    assert stops(roster) == {"p001": "mend-roster"}
    assert [each.code for each in read_roster(roster).problems] == ["unknown-column"]
    roster.write_text("player,pain,injury\np001,none,\np002,none,\n,,thumb\n", encoding="utf-8")
    assert stops(roster) == {"p014": "whose-row"}


@pytest.mark.parametrize(
    "said", ["hurts", "broken hand", "Surgery in May", "after_injury", "torn", "tendinitis", "numb"]
)
@pytest.mark.parametrize(
    "column", ["hand", "level", "usual_miss", "lessons", "club", "team", "coach", "note_x"]
)
def test_a_complaint_in_another_column_holds_and_is_not_repeated(
    column: str, said: str, roster: Path
) -> None:
    roster.write_text(f"player,pain,{column}\np001,none,{said}\np002,none,\np014,none,\n", encoding="utf-8")
    assert stops(roster) == {"p001": "mend-roster"}
    problems = read_roster(roster).problems
    assert "misplaced-cell" in {each.code for each in problems}
    assert not any(said in each.found for each in problems)


@pytest.mark.parametrize("words", ["coach Sorensen", "number 7", "Tornado", "Hurtado", "Paine", "left hand"])
def test_names_that_begin_like_a_complaint_hold_nobody(words: str, roster: Path) -> None:
    roster.write_text(f"player,pain,team\np001,none,{words}\np002,none,\np014,none,\n", encoding="utf-8")
    assert stops(roster) == {}


@pytest.mark.parametrize(
    ("text", "row", "found"),
    [
        ('player,pain\np001,"wrist\np002,none\np014,none\n', 2, "2 fields"),
        ('player,pain\np001,none\n"p002,none\np014,wrist"\n', 3, "2 fields"),
        ('player,pain\np001,"sore" wrist\n', 2, "2 fields"),
        ('player,"pain\np001,none\n', 1, "2 fields"),
    ],
)
def test_a_quote_that_is_left_open_swallows_no_row(text: str, row: int, found: str, roster: Path) -> None:
    roster.write_text(text, encoding="utf-8")
    read = read_roster(roster)
    assert read.unreadable and set(stops(roster)) == set(PLAYERS)
    assert [(each.code, each.row) for each in read.problems] == [("open-quote", row)]
    assert found in read.problems[0].found and "wrist" not in str(read.problems)


def test_a_roster_without_a_header_is_not_repeated(roster: Path) -> None:
    roster.write_text("p001,ganglion,1994\n", encoding="utf-8")
    read = read_roster(roster)
    assert read.unreadable and "ganglion" not in str(read.problems) and "1994" not in str(read.problems)


@pytest.mark.parametrize(
    ("one", "other", "alike"),
    [("p2", "p002", True), ("02", "p002", True), ("pOO2", "p002", True), ("p002 (Tom)", "p002", True),
     ("P 2", "p002", True),
     ("player 2", "p002", True), ("2", "p002", True), ("Tom", "Tom Smith", True), ("p2", "p012", False),
     ("p1", "p002", False), ("Tim Smith", "Ann Smith", False), ("l2", "p002", False), ("p14", "p001", False)],
)  # fmt: skip
def test_names_that_may_be_spellings_of_one(one: str, other: str, alike: bool) -> None:
    assert near(one, other) is near(other, one) is alike


@pytest.mark.parametrize("name", ["p2", "02", "pOO2", "p002 (Tom)"])
def test_a_near_spelling_holds_who_has_a_row_of_their_own(name: str, roster: Path, tmp_path: Path) -> None:
    rows = "player,pain\np001,none\np002,none\np014,none\n"
    roster.write_text(f"{rows}{name},wrist\n", encoding="utf-8")
    assert stops(roster) == {"p002": "whose-row"}
    roster.write_text(rows, encoding="utf-8")
    with open_store(tmp_path / "store.sqlite") as store:
        add_statements(store, [Statement(name, "pain", DAY, "wrist")], DAY)
        known = known_from_file(roster, PLAYERS, DAY, store)
        assert [care_stop(known.body(player), DAY) for player in PLAYERS] == ["", "whose-row", ""]
        assert known.open_names == (name,)
        add_statements(store, [Statement(name, "name", DAY, by="Ann")], DAY)
        assert not care_stop(known_from_file(roster, PLAYERS, DAY, store).body("p002"), DAY)


def test_who_was_recorded_elsewhere_holds_nobody_of_another_name(roster: Path, tmp_path: Path) -> None:
    roster.write_text("player,pain\np001,none\np002,none\np014,none\n", encoding="utf-8")
    with open_store(tmp_path / "store.sqlite") as store:
        note_recorded(store, ["p003", "P002"])
        add_statements(store, [Statement("p003", "pain", DAY), Statement("P002", "pain", DAY)], DAY)
        known = known_from_file(roster, PLAYERS, DAY, store)
    assert [care_stop(known.body(player), DAY) for player in PLAYERS] == ["", "whose-row", ""]


def test_a_history_said_under_another_spelling_holds_too(roster: Path, tmp_path: Path) -> None:
    roster.write_text("player,pain\np001,none\np002,none\np014,none\n", encoding="utf-8")
    with open_store(tmp_path / "store.sqlite") as store:
        add_statements(store, [Statement("P002", "thumb_history", DAY, "yes")], DAY)
        known = known_from_file(roster, PLAYERS, DAY, store)
    assert [care_stop(known.body(player), DAY) for player in PLAYERS] == ["", "whose-row", ""]
