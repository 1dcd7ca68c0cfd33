"""Without a store nothing that was said before is known: drills are shown, not given, and every run says so."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pandas as pd
import pytest
from care_fakes import HEALTHY, known_of
from click.testing import CliRunner

from faultml.care.body import PlayerBody, Said
from faultml.care.check import care_check
from faultml.care.known import Known, known_of_run
from faultml.cli import main
from faultml.cli.known import known_of_season
from faultml.coaching.book import load_book
from faultml.coaching.giving import Giving, check_giving
from faultml.coaching.rules import load_coaching
from faultml.faults.catalogue import load_catalogue
from faultml.store import open_store
from faultml.store.people import store_id

TODAY = date.today()
COACHING = load_coaching(load_catalogue())
FREE = next(drill for drill in load_book().drills if not drill.loads and drill.level == "any")


@pytest.fixture(autouse=True)
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    monkeypatch.delenv("FAULTML_STORE", raising=False)


@pytest.fixture
def run(tmp_path: Path) -> Iterator[dict[str, object]]:
    """Results of a season without a store, whose roster says that nothing hurts."""
    season = tmp_path / "season"
    season.mkdir()
    cells = HEALTHY | {"pain": f"none {TODAY}"}
    text = f"player,{','.join(cells)}\np001,{','.join(cells.values())}\n"
    (season / "roster.csv").write_text(text, encoding="utf-8")
    roster = {"file": str(season / "roster.csv"), "season": [str(season)]}
    yield {"roster": roster, "store": {"file": str(tmp_path / "none.sqlite"), "id": ""}}


def asked(known: Known) -> tuple[str, tuple[str, ...]]:
    answer = care_check(FREE.demands, known.body("p001"), TODAY)
    return answer.verdict, answer.ask


def test_without_a_store_a_rosters_none_is_nobodys_answer(run: dict, tmp_path: Path) -> None:
    without = known_of_run(run, ["p001"], TODAY)
    assert asked(without) == ("show", ("ask-pain",)) and not without.remembered
    assert care_check(FREE.demands, without.body("p009"), TODAY).ask == ("ask-pain",)
    with open_store(tmp_path / "coach.sqlite"):
        pass
    known = known_of_run(run, ["p001"], TODAY, store=tmp_path / "coach.sqlite")
    assert asked(known) == ("give", ()) and known.remembered


def test_a_store_that_the_results_name_is_one(run: dict, tmp_path: Path) -> None:
    with open_store(tmp_path / "coach.sqlite") as store:
        run["store"] = {"file": str(tmp_path / "coach.sqlite"), "id": store_id(store)}
    assert asked(known_of_run(run, ["p001"], TODAY)) == ("give", ())


def test_from_python_nothing_is_given_without_a_store_unless_somebody_asked(run: dict) -> None:
    known = known_of_run(run, ["p001"], TODAY)
    cells = {"player": "p001", "drill": FREE.id, "since": TODAY.isoformat()}
    refused = check_giving(cells, known, ["p001"], COACHING, TODAY)
    assert not isinstance(refused, Giving) and [each.code for each in refused] == ["ask-first"]
    assert isinstance(check_giving({**cells, "hurts": "none"}, known, ["p001"], COACHING, TODAY), Giving)
    assert isinstance(check_giving(cells, known.in_new_store(), ["p001"], COACHING, TODAY), Giving)


def test_every_command_that_reads_no_store_says_so(run: dict, tmp_path: Path, capsys) -> None:
    known_of_season(run, ["p001"], None, None)
    assert "No store was read, so nothing that players said before is known" in capsys.readouterr().err
    assert asked(known_of_season(run, ["p001"], None, None, makes_store=True)) == ("give", ())
    with open_store(tmp_path / "coach.sqlite"):
        pass
    capsys.readouterr()
    known_of_season(run, ["p001"], tmp_path / "coach.sqlite", None)
    assert capsys.readouterr().err == ""


def test_pain_and_names_of_one_player_hold_without_a_store_too() -> None:
    hurts = PlayerBody("p001", (Said(TODAY, "hurts", "wrist"),), remembered=False)
    assert care_check(FREE.demands, hurts, TODAY).verdict == "no"
    assert CliRunner().invoke(main, ["players", "care", "p001"]).exit_code == 0


def test_without_a_store_its_library_is_not_needed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The core install has no sqlalchemy, and classifies a roster that names a stranger in pain."""
    monkeypatch.setitem(sys.modules, "faultml.store.people", None)
    rows = pd.DataFrame([{"player": "p1", "pain": "none"}, {"player": "somebody", "pain": "wrist"}])
    assert known_of(rows, ["p1"]).open_names == ("somebody",)
