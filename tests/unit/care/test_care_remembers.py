"""What the roster once said against a drill stands until somebody takes it back by name; forgetting lifts nothing."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import pytest

from faultml.care.body import PlayerBody
from faultml.care.check import Amount, Demands, care_check
from faultml.care.known import known_from_file
from faultml.care.record import record
from faultml.care.statements import Statement, add_statements, statements
from faultml.errors import InputError
from faultml.recordings.roster_cells import HISTORIES
from faultml.store import Store, open_store
from faultml.store.people import forget, readmit

DAY = date(2024, 6, 3)
FREE = Demands((), "any", Amount(3, 9, 9), strikes=True, phase="top")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "store.sqlite") as opened:
        yield opened


@pytest.fixture
def roster(tmp_path: Path) -> Path:
    return tmp_path / "roster.csv"


def body(roster: Path, text: str, store: Store, days: int = 0) -> PlayerBody:
    roster.write_text(text, encoding="utf-8")
    return known_from_file(roster, ["p1"], DAY + timedelta(days=days), store).body("p1")


@pytest.mark.parametrize("history", HISTORIES)
@pytest.mark.parametrize("after", ["p1,no\n", "p1,\n", "p2,no\n"])
def test_a_yes_that_left_the_roster_stands_until_a_named_no(
    history: str, after: str, roster: Path, store: Store
) -> None:
    header = f"player,{history}\n"
    assert body(roster, f"{header}p1,yes\n", store).histories == {history: True}
    left = body(roster, header + after, store, 1)
    assert left.histories == {history: True}
    no = Statement("p1", history, DAY + timedelta(days=2), "no")  # type: ignore[arg-type]
    with pytest.raises(InputError, match="name-needed"):
        record(store, [no], left, DAY + timedelta(days=2))
    add_statements(store, [no], DAY + timedelta(days=2))  # from Python, without the body: it releases nothing
    assert body(roster, header + after, store, 2).histories == {history: True}
    early = Statement("p1", history, DAY, "no", by="Ann")  # type: ignore[arg-type]
    add_statements(store, [early], DAY)
    assert body(roster, header + after, store, 2).histories == {history: True}, "said before it left"
    named = Statement("p1", history, DAY + timedelta(days=2), "no", by="Ann")  # type: ignore[arg-type]
    record(store, [named], left, DAY + timedelta(days=2))
    assert body(roster, header + after, store, 2).histories == {history: False}
    assert body(roster, f"{header}p1,yes\n", store, 3).histories == {history: True}, "it is there again"


def test_a_yes_of_the_store_stands_until_a_named_no(store: Store, roster: Path) -> None:
    add_statements(store, [Statement("p1", "thumb_history", DAY, "yes")], DAY)
    add_statements(store, [Statement("p1", "thumb_history", DAY, "no")], DAY)
    assert body(roster, "player\np1\n", store).histories == {"thumb_history": True}
    add_statements(store, [Statement("p1", "thumb_history", DAY, "no", by="Ann")], DAY)
    assert body(roster, "player\np1\n", store).histories == {"thumb_history": False}


def test_an_age_that_grew_in_the_roster_is_no_age(store: Store, roster: Path) -> None:
    assert body(roster, "player,birth_year\np1,2014\n", store).birth_year == 2014
    assert body(roster, "player,birth_year\np1,1990\n", store, 1).birth_year == 2014
    assert body(roster, "player,under_16\np1,yes\n", store, 1).under_16 is True
    assert body(roster, "player,under_16\np1,no\n", store, 2).under_16 is True
    said = Statement("p1", "birth_year", DAY + timedelta(days=2), "1990", by="Ann")
    add_statements(store, [said], DAY + timedelta(days=2))
    grown = body(roster, "player,under_16\np1,no\n", store, 2)
    assert (grown.birth_year, grown.under_16) == (1990, False)


def test_forgetting_and_taking_in_again_lifts_no_pain(store: Store, roster: Path) -> None:
    cells = ",".join(["none", "1990", *["no"] * len(HISTORIES)])
    text = f"player,pain,birth_year,{','.join(HISTORIES)}\np1,{cells}\n"
    assert care_check(FREE, body(roster, text, store), DAY).verdict == "give"
    add_statements(store, [Statement("p1", "pain", DAY, "numb")], DAY)
    assert care_check(FREE, body(roster, text, store), DAY).verdict == "no"
    forget(store, "p1")
    assert readmit(store, "p1")
    again = body(roster, text, store, 1)
    asked = care_check(FREE, again, DAY + timedelta(days=1))
    assert (asked.verdict, asked.ask) == ("show", ("ask-pain",)) and again.histories == {}
    assert statements(store) == [] and not re.search(rb"numb(?!er)", store.path.read_bytes())
    add_statements(store, [Statement("p1", "none", DAY + timedelta(days=1))], DAY + timedelta(days=1))
    assert care_check(FREE, body(roster, text, store, 1), DAY + timedelta(days=1)).verdict == "give"
    # What the roster says against a drill counts at once.
    hurts = body(roster, text.replace("p1,none", "p1,wrist"), store, 1)
    assert care_check(FREE, hurts, DAY + timedelta(days=1)).verdict == "no"
    forget(store, "p1")
    assert not any(b"p1" in file.read_bytes() for file in store.path.parent.glob(f"{store.path.name}*"))


@pytest.mark.parametrize("source", ["roster", "store"])
def test_an_older_age_than_on_record_needs_a_name(store: Store, roster: Path, source: str) -> None:
    text = "player,birth_year\np1,2014\n" if source == "roster" else "player\np1\n"
    if source == "store":
        add_statements(store, [Statement("p1", "birth_year", DAY, "2014")], DAY)
    known = body(roster, text, store)
    older = Statement("p1", "birth_year", DAY, "1990")
    with pytest.raises(InputError, match="name-needed"):
        record(store, [older], known, DAY)
    add_statements(store, [older], DAY)  # from Python, without the body
    assert body(roster, text, store).birth_year == 2014
    record(store, [Statement("p1", "birth_year", DAY, "2016")], known, DAY)
    later = DAY + timedelta(days=1)
    named = Statement("p1", "birth_year", later, "1990", by="Ann")
    record(store, [named], body(roster, "player\np1\n", store, 1), later)
    assert body(roster, "player\np1\n", store, 1).birth_year == 1990
