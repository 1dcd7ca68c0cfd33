"""What was said under another name, in a row without one, or beside an unreadable year still counts."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from care_fakes import TODAY

from faultml.care.check import care_check
from faultml.care.known import Known, known_from_file, known_of_run
from faultml.care.statements import Statement, add_statements
from faultml.coaching.book import load_book
from faultml.store import open_store

PLAYERS = ("p001", "p002")
ALL_NO = "no,no,no,no,no"
HISTORIES = "ulnar_history,thumb_history,elbow_history,nerve_history,hamate_history"


def _roster(folder: Path, *rows: str) -> Path:
    path = folder / "roster.csv"
    path.write_text(
        "\n".join((f"player,pain,birth_year,under_16,{HISTORIES}", *rows)) + "\n", encoding="utf-8"
    )
    return path


def _verdict(known: Known, player: str, drill: str = "tee_top_sweep", on: date = TODAY) -> str:
    return care_check(load_book()[drill].demands, known.body(player), on).verdict


@pytest.mark.parametrize("name", ["P002", "p 002", "p002.", "P-002"])
def test_pain_said_under_another_spelling_holds_the_player(tmp_path: Path, name: str) -> None:
    roster = _roster(tmp_path, f"p001,none,1990,no,{ALL_NO}", f"p002,none,1990,no,{ALL_NO}")
    with open_store(tmp_path / "store.sqlite") as store:
        add_statements(store, [Statement(name, "pain", date.today(), "numb")], date.today())
        known = known_from_file(roster, PLAYERS, date.today(), store)
    assert _verdict(known, "p002", on=date.today()) == "no"
    assert _verdict(known, "p001", on=date.today()) != "no", "another name holds nobody else"
    assert name in known.open_names


def test_a_row_about_pain_without_a_name_holds_who_has_no_row(tmp_path: Path) -> None:
    roster = _roster(tmp_path, f"p001,none,1990,no,{ALL_NO}", f",wrist,1990,no,{ALL_NO}")
    known = known_from_file(roster, PLAYERS, date.today())
    assert _verdict(known, "p002", on=date.today()) == "no"


@pytest.mark.parametrize("year", ["14.05.2014", "2014?", "14"])
def test_beside_an_unreadable_year_of_birth_the_age_is_not_known(tmp_path: Path, year: str) -> None:
    roster = _roster(tmp_path, f"p001,none,{year},no,{ALL_NO}", f"p002,none,1990,no,{ALL_NO}")
    known = known_from_file(roster, PLAYERS, date.today())
    verdicts = [_verdict(known, player, "ruler_on_the_back", date.today()) for player in PLAYERS]
    assert verdicts == ["show", "give"]


def test_the_store_at_its_usual_place_is_read_where_none_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FAULTML_STORE", str(tmp_path / "store.sqlite"))
    roster = _roster(tmp_path, f"p001,none,1990,no,{ALL_NO}", f"p002,none,1990,no,{ALL_NO}")
    with open_store(tmp_path / "store.sqlite") as store:
        add_statements(store, [Statement("p002", "pain", date.today(), "wrist")], date.today())
    known = known_of_run(
        {"roster": {"file": str(roster)}, "store": {"file": "", "id": ""}}, PLAYERS, date.today()
    )
    assert [_verdict(known, player, on=date.today()) for player in PLAYERS] == ["give", "no"]
