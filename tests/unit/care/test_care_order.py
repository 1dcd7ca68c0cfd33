"""The order of recording decides what a return or a release lifts, not the day that is stated."""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from faultml.care import statements as statements_module
from faultml.care.body import PlayerBody
from faultml.care.check import care_stop
from faultml.care.known import known_from_file
from faultml.care.record import record
from faultml.care.statements import Statement, add_statements, statements
from faultml.errors import InputError
from faultml.store import Store, open_store
from faultml.store.people import note_recorded

DAY = date(2024, 6, 3)
SIGNED = {"by": "Ann", "role": "coach", "advice": "hand therapist: Ort"}
RETURN = Statement("p1", "return", DAY, **SIGNED)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "store.sqlite") as opened:
        yield opened


@pytest.fixture
def roster(tmp_path: Path) -> Path:
    return tmp_path / "roster.csv"


def before(days: int) -> date:
    return DAY - timedelta(days=days)


def body(store: Store, roster: Path | None = None, on: date = DAY) -> PlayerBody:
    return known_from_file(roster, ["p1"], on, store).body("p1")


@pytest.mark.parametrize("days", [0, 1, 3, 400])
@pytest.mark.parametrize("where", ["", "wrist", "numb"])
def test_pain_recorded_after_a_return_holds_whatever_day_it_states(
    store: Store, days: int, where: str
) -> None:
    add_statements(store, [Statement("p1", "pain", before(2), "wrist")], DAY)
    record(store, [RETURN], body(store), DAY)
    assert care_stop(body(store), DAY) == ""
    record(store, [Statement("p1", "pain", before(days), where)], body(store), DAY)
    add_statements(store, [Statement("p1", "none", DAY)], DAY)
    assert care_stop(body(store), DAY) == "hurts"
    with pytest.raises(InputError, match="pain-later"):
        record(store, [RETURN], body(store), DAY)
    tomorrow = DAY + timedelta(days=1)
    again = Statement("p1", "return", tomorrow, **SIGNED)
    record(store, [again], body(store, on=tomorrow), tomorrow)
    assert care_stop(body(store, on=tomorrow), tomorrow) == ""


@pytest.mark.parametrize("text", ["numb 2024-05-26", "wrist", "wrist 2024-05-26"])
def test_a_roster_text_that_is_first_seen_after_a_return_holds(store: Store, roster: Path, text: str) -> None:
    add_statements(store, [Statement("p1", "pain", before(2), "wrist")], DAY)
    record(store, [RETURN], body(store), DAY)
    roster.write_text(f"player,pain\np1,{text}\n", encoding="utf-8")
    old = datetime.combine(before(8), datetime.min.time()).timestamp()
    os.utime(roster, (old, old))
    assert care_stop(body(store, roster), DAY) == "hurts"


def test_a_roster_text_that_was_seen_before_a_return_is_lifted(store: Store, roster: Path) -> None:
    roster.write_text("player,pain\np1,numb 2024-05-26\n", encoding="utf-8")
    record(store, [RETURN], body(store, roster), DAY)
    assert care_stop(body(store, roster), DAY) == ""


def test_a_clock_that_was_set_back_changes_no_order(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    add_statements(store, [Statement("p1", "pain", before(2), "wrist"), RETURN], DAY)

    class Clock(datetime):
        @classmethod
        def now(cls, tz: object = None) -> Clock:
            return cls(2024, 5, 1, 12, tzinfo=UTC)

    monkeypatch.setattr(statements_module, "datetime", Clock)
    add_statements(store, [Statement("p1", "pain", date(2024, 5, 1), "wrist")], DAY)
    monkeypatch.undo()
    times = [each.recorded_at for each in statements(store)]
    assert times == sorted(times, key=lambda each: each or datetime.max) and len(set(times)) == 3
    assert care_stop(body(store), DAY) == "hurts"


def held(store: Store, roster: Path | None = None) -> tuple[str, ...]:
    return body(store, roster).held_for


@pytest.mark.parametrize("name", ["p1 (Tom)", "p01"])
def test_a_release_covers_only_what_was_recorded_before_it(store: Store, roster: Path, name: str) -> None:
    release = Statement(name, "name", DAY, by="Ann")
    add_statements(store, [Statement(name, "pain", before(1), "wrist")], DAY)
    assert held(store) == (name,)
    add_statements(store, [release], DAY)
    assert held(store) == ()
    add_statements(store, [Statement(name, "pain", before(3), "numb")], DAY)
    assert held(store) == (name,)
    add_statements(store, [release], DAY)
    roster.write_text(f"player,pain\np1,none\n{name},wrist\n", encoding="utf-8")
    assert held(store, roster) == (name,), "a row that was first seen after the release"
    add_statements(store, [release], DAY)
    assert held(store, roster) == ()
    roster.write_text(f"player,pain\np1,none\n{name},numb\n", encoding="utf-8")
    assert held(store, roster) == (name,), "other words in the same row"


@pytest.mark.parametrize("name", ["P1", "p 1", "p1"])
def test_a_players_own_name_is_never_released(store: Store, name: str) -> None:
    add_statements(
        store, [Statement(name, "pain", DAY, "wrist"), Statement(name, "name", DAY, by="Ann")], DAY
    )
    assert care_stop(body(store), DAY) in ("whose-row", "hurts")


def test_pain_under_a_name_that_fits_nobody_holds_who_has_no_row(store: Store, roster: Path) -> None:
    add_statements(store, [Statement("Bertha", "pain", DAY, "wrist")], DAY)
    assert held(store) == ("Bertha",)
    roster.write_text("player,pain\np1,none\n", encoding="utf-8")
    assert held(store, roster) == ()
    add_statements(store, [Statement("Bertha", "name", DAY, by="Ann")], DAY)
    assert held(store) == ()


def test_pain_of_who_was_recorded_elsewhere_holds_nobody_here(store: Store) -> None:
    note_recorded(store, ["Bertha"])
    add_statements(store, [Statement("Bertha", "pain", DAY, "wrist")], DAY)
    assert held(store) == ()
