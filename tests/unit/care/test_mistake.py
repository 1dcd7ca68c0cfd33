"""Pain that was pressed by mistake: taken back on the same day, by the same name, where no word was said, kept."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest
from care_fakes import HEALTHY, TODAY

from faultml.care.check import care_stop
from faultml.care.known import Known, known_from_file
from faultml.care.record import record
from faultml.care.statements import Statement, add_statements, statements
from faultml.errors import InputError
from faultml.store import Store, open_store


@pytest.fixture
def roster(tmp_path: Path) -> Path:
    path = tmp_path / "roster.csv"
    cells = HEALTHY | {"pain": f"none {TODAY.isoformat()}"}
    path.write_text(",".join(["player", *cells]) + "\n" + ",".join(["p1", *cells.values()]) + "\n")
    return path


def known(store: Store, roster: Path, day: date = TODAY) -> Known:
    return known_from_file(roster, ["p1"], day, store)


def take_back(store: Store, roster: Path, by: str = "ann", day: date = TODAY) -> None:
    body = known(store, roster, day).body("p1")
    record(store, [Statement("p1", "mistake", day, by=by)], body, day)


def stopped(store: Store, roster: Path, day: date = TODAY) -> bool:
    return bool(care_stop(known(store, roster, day).body("p1"), day))


def press(store: Store, value: str = "", by: str = "ann", day: date = TODAY) -> None:
    add_statements(store, [Statement("p1", "pain", day, value, by=by)], day)


def test_a_press_is_taken_back_and_both_stay_on_record(tmp_path: Path, roster: Path) -> None:
    with open_store(tmp_path / "s.sqlite") as store:
        assert not stopped(store, roster)
        press(store)
        assert stopped(store, roster)
        take_back(store, roster)
        assert not stopped(store, roster)
        assert [each.about for each in statements(store, "p1")] == ["pain", "mistake"]
        press(store)
        assert stopped(store, roster), "a press after it counts"


@pytest.mark.parametrize(
    ("value", "by", "who", "days", "code"),
    [
        ("wrist", "ann", "ann", 0, "nothing-to-take-back"),
        ("", "ben", "ann", 0, "nothing-to-take-back"),
        ("", "", "ann", 0, "nothing-to-take-back"),
        ("", "ann", "", 0, "name-needed"),
        ("", "ann", "ann", 1, "nothing-to-take-back"),
    ],
)
def test_what_is_no_press_of_the_same_person_that_day_stays(
    tmp_path: Path, roster: Path, value: str, by: str, who: str, days: int, code: str
) -> None:
    day = TODAY + timedelta(days=days)
    with open_store(tmp_path / "s.sqlite") as store:
        press(store, value, by)
        with pytest.raises(InputError) as error:
            take_back(store, roster, who, day)
        assert error.value.code == code
        assert stopped(store, roster, day)


def test_it_cannot_be_dated_back_and_words_beside_the_press_still_hold(tmp_path: Path, roster: Path) -> None:
    with open_store(tmp_path / "s.sqlite") as store:
        press(store)
        later = TODAY + timedelta(days=2)
        with pytest.raises(InputError) as error:
            add_statements(store, [Statement("p1", "mistake", TODAY, by="ann")], later)
        assert error.value.code == "bad-day"
        press(store, "wrist", by="ann")
        take_back(store, roster)
        assert stopped(store, roster), "where it hurts was said: that is no button pressed by mistake"


def test_pain_of_an_earlier_day_is_not_lifted(tmp_path: Path, roster: Path) -> None:
    with open_store(tmp_path / "s.sqlite") as store:
        press(store, day=TODAY - timedelta(days=1))
        press(store)
        take_back(store, roster)
        assert stopped(store, roster)
