"""Machines in two time zones have one rule of days, and pain without a word is no plain complaint."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

import faultml.care.statements as statements_module
from faultml.care.body import PlayerBody, pain_state
from faultml.care.known import known_in_store
from faultml.care.record import record
from faultml.care.rules import load_care
from faultml.care.statements import Statement, add_statements, latest_day
from faultml.errors import InputError
from faultml.recordings.roster_cells import is_plain, read_pain
from faultml.store import Store, open_store

UTC_DAY = date(2031, 4, 10)
WEST, EAST = UTC_DAY - timedelta(days=1), UTC_DAY + timedelta(days=1)
SIGNED = {"by": "Ann", "role": "coach", "advice": "coach: Ann"}


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "coach.sqlite") as opened:
        yield opened


def noon_of(day: date, monkeypatch: pytest.MonkeyPatch) -> None:
    """UTC noon of a day, also for the moments that the store writes."""

    class Clock(datetime):
        @classmethod
        def now(cls, tz: object = None) -> Clock:
            assert tz is UTC
            return cls(day.year, day.month, day.day, 12, tzinfo=UTC)

    monkeypatch.setattr(statements_module, "datetime", Clock)


def body(store: Store, today: date) -> PlayerBody:
    return known_in_store(store.path, ["p1"], today).body("p1")


@pytest.mark.parametrize("here", [WEST, UTC_DAY, EAST])
@pytest.mark.parametrize("there", [WEST, UTC_DAY, EAST])
def test_no_return_lies_on_the_day_of_the_pain_wherever_the_machines_stand(
    store: Store, monkeypatch: pytest.MonkeyPatch, here: date, there: date
) -> None:
    noon_of(UTC_DAY, monkeypatch)
    record(store, [Statement("p1", "pain", latest_day("pain", here), "wrist")], body(store, here), here)
    back = Statement("p1", "return", latest_day("return", there), **SIGNED)
    with pytest.raises(InputError, match="pain-later"):
        record(store, [back], body(store, there), there)
    nothing = Statement("p1", "none", latest_day("none", there))
    record(store, [nothing], body(store, there), there)
    assert pain_state(body(store, there), there, load_care()).pain == "hurts"
    # Three days later there is a later day in every zone.
    noon_of(UTC_DAY + timedelta(days=3), monkeypatch)
    then = there + timedelta(days=3)
    record(store, [Statement("p1", "return", latest_day("return", then), **SIGNED)], body(store, then), then)
    assert pain_state(body(store, then), then, load_care()).pain in ("none", "unknown")


@pytest.mark.parametrize("words", ["", "-", "...", "?", " ; "])
def test_pain_without_a_word_is_no_plain_complaint(store: Store, words: str) -> None:
    assert not is_plain(words)
    today = date.today()
    add_statements(store, [Statement("p1", "pain", today - timedelta(days=3), words)], today)
    back = Statement("p1", "return", today - timedelta(days=1), **SIGNED)
    with pytest.raises(InputError, match="clinician-needed"):
        record(store, [back], body(store, today), today)


def test_pain_without_a_word_goes_by_the_words_that_follow_it(store: Store) -> None:
    """Somebody presses first and says where afterwards, on the same day."""
    today = date.today()
    day, back = today - timedelta(days=3), Statement("p1", "return", today - timedelta(days=1), **SIGNED)
    add_statements(store, [Statement("p1", "pain", day), Statement("p1", "pain", day, "sore wrist")], today)
    record(store, [back], body(store, today), today)
    add_statements(store, [Statement("p2", "pain", day), Statement("p2", "pain", day, "numb")], today)
    numb = known_in_store(store.path, ["p2"], today).body("p2")
    with pytest.raises(InputError, match="clinician-needed"):
        record(store, [Statement("p2", "return", today - timedelta(days=1), **SIGNED)], numb, today)


def test_words_recorded_before_pain_without_a_word_do_not_stand_for_it(store: Store) -> None:
    today = date.today()
    day, back = today - timedelta(days=3), Statement("p1", "return", today - timedelta(days=1), **SIGNED)
    add_statements(store, [Statement("p1", "pain", day, "sore wrist"), Statement("p1", "pain", day)], today)
    with pytest.raises(InputError, match="clinician-needed"):
        record(store, [back], body(store, today), today)


def test_a_cell_of_marks_alone_is_pain_that_nobody_understands() -> None:
    cell = read_pain("?!")
    assert (cell.kind, cell.clear) == ("hurts", False)
