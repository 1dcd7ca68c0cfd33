"""Rosters and stores that results name and that are not there, or are others, hold every drill and are stated."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from faultml.care.check import care_stop
from faultml.care.known import Known, known_of_run
from faultml.care.sources import results_beside
from faultml.care.statements import Statement, add_statements
from faultml.recordings.files import find_files
from faultml.store import open_store
from faultml.store.people import store_id

DAY = date(2024, 6, 3)
PLAYERS = ["p001", "p002"]
WELL = "player,pain\np001,none\np002,none\n"
Run = dict[str, Any]


@pytest.fixture(autouse=True)
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The commands' folder holds no store."""
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    monkeypatch.delenv("FAULTML_STORE", raising=False)


@pytest.fixture
def season(tmp_path: Path) -> Path:
    (tmp_path / "season").mkdir()
    return tmp_path / "season"


@pytest.fixture
def run(season: Path) -> Run:
    """Results of a season with a roster, in which everybody is well, and without a store."""
    (season / "roster.csv").write_text(WELL, encoding="utf-8")
    roster = {"file": str(season / "roster.csv"), "season": [str(season)]}
    return {"roster": roster, "store": {"file": str(season.parent / "store.sqlite"), "id": ""}}


def stops(known: Known) -> dict[str, str]:
    found = {player: care_stop(known.body(player), DAY) for player in PLAYERS}
    return {player: reason for player, reason in found.items() if reason}


def without(name: str) -> Callable[[Run], None]:
    def change(run: Run) -> None:
        del run[name]

    return change


def relative(run: Run) -> None:
    run["roster"]["file"] = "season/roster.csv"


def moved(run: Run) -> None:
    Path(run["roster"]["file"]).rename(Path(run["roster"]["file"]).with_name("other.csv"))


def second(run: Run) -> None:
    folder = Path(run["roster"]["season"][0]) / "spring"
    folder.mkdir()
    (folder / "Roster.csv").write_text("player,pain\np001,wrist\n", encoding="utf-8")


def lost_store(run: Run) -> None:
    run["store"] = {"file": "/nowhere/store.sqlite", "id": "0" * 16}


def no_file(run: Run) -> None:
    run["roster"] = {"file": None}


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (without("roster"), "--roster"),
        (without("store"), "classify again"),
        (relative, "season/roster.csv"),
        (moved, "other.csv; rename"),
        (second, "spring"),
        (lost_store, "/nowhere/store.sqlite, not found"),
        (no_file, "--roster"),
    ],
)
def test_what_the_results_name_and_is_not_there_holds_everybody(
    change: Callable[[Run], None], said: str, run: Run
) -> None:
    assert stops(known_of_run(run, PLAYERS, DAY)) == {}
    change(run)
    known = known_of_run(run, PLAYERS, DAY)
    assert stops(known) == dict.fromkeys(PLAYERS, "mend-roster")
    assert len(known.missing) == 1 and said in known.missing[0]


def test_pain_in_the_store_of_the_results_counts_from_another_folder(run: Run, tmp_path: Path) -> None:
    with open_store(tmp_path / "store.sqlite") as store:  # after classify, which found none there
        add_statements(store, [Statement("p001", "pain", DAY, "wrist")], DAY)
    assert stops(known_of_run(run, PLAYERS, DAY)) == {"p001": "hurts"}
    with open_store(tmp_path / "mine.sqlite") as mine:
        add_statements(mine, [Statement("p002", "pain", DAY, "wrist")], DAY)
    both = known_of_run(run, PLAYERS, DAY, store=tmp_path / "mine.sqlite")
    assert stops(both) == dict.fromkeys(PLAYERS, "hurts")


def test_another_store_at_the_place_of_the_results_store_holds(run: Run, tmp_path: Path) -> None:
    with open_store(tmp_path / "store.sqlite") as store:
        run["store"]["id"] = store_id(store)
        store.backup(tmp_path / "copy.sqlite")
    assert stops(known_of_run(run, PLAYERS, DAY)) == {}
    (tmp_path / "store.sqlite").unlink()
    assert stops(known_of_run(run, PLAYERS, DAY, store=tmp_path / "copy.sqlite")) == {}, "a copy of it"
    open_store(tmp_path / "store.sqlite").close()
    assert len(stops(known_of_run(run, PLAYERS, DAY))) == len(PLAYERS)
    known = known_of_run(run, PLAYERS, DAY, store=tmp_path / "store.sqlite")
    assert "another one now" in known.missing[0] and len(stops(known)) == len(PLAYERS)


def test_another_roster_hides_nothing_of_the_seasons_own(run: Run, tmp_path: Path) -> None:
    clean = tmp_path / "clean.csv"
    clean.write_text(WELL, encoding="utf-8")
    own = Path(run["roster"]["file"])
    own.write_text("player,pain,thumb_history\np001,wrist,\np002,none,yes\n", encoding="utf-8")
    known = known_of_run(run, PLAYERS, DAY, roster=clean)
    assert stops(known) == {"p001": "hurts"} and known.body("p002").histories == {"thumb_history": True}
    own.write_text("player,pain\np001,none\np002,none\np2,wrist\n", encoding="utf-8")
    assert stops(known_of_run(run, PLAYERS, DAY, roster=clean)) == {"p002": "whose-row"}
    own.unlink()
    assert stops(known_of_run(run, PLAYERS, DAY, roster=clean)) == {}


def test_a_roster_that_came_after_classify_is_read(run: Run, season: Path) -> None:
    run["roster"]["file"] = ""
    (season / "roster.csv").write_text("player,pain\np001,wrist\n", encoding="utf-8")
    assert stops(known_of_run(run, PLAYERS, DAY)) == {"p001": "hurts"}
    second(run)
    assert len(stops(known_of_run(run, PLAYERS, DAY))) == len(PLAYERS)


def test_a_backup_hides_nothing_of_the_store_of_the_results(run: Run, tmp_path: Path) -> None:
    with open_store(tmp_path / "store.sqlite") as store:
        run["store"]["id"] = store_id(store)
        store.backup(tmp_path / "copy.sqlite")
        add_statements(store, [Statement("p001", "pain", DAY, "wrist")], DAY)
    with open_store(tmp_path / "copy.sqlite") as copy:
        add_statements(copy, [Statement("p002", "pain", DAY, "wrist")], DAY)
    known = known_of_run(run, PLAYERS, DAY, store=tmp_path / "copy.sqlite")
    assert stops(known) == dict.fromkeys(PLAYERS, "hurts")


@pytest.mark.parametrize(
    "name",
    [
        "roster.xlsx",
        "roster.tsv",
        "roster (1).csv",
        "roster.csv.txt",
        "Roster_new.csv",
        "players.csv",
        "Squad.xlsx",
        "spring.txt",
    ],
)
def test_a_file_like_a_roster_holds_everybody(run: Run, season: Path, name: str) -> None:
    (season / "swings.csv").write_text("player,t_s\n", encoding="utf-8")
    assert find_files([season]).problems == []
    (season / name).write_text("player,pain\np001,wrist\n", encoding="utf-8")
    known = known_of_run(run, PLAYERS, DAY)
    assert stops(known) == dict.fromkeys(PLAYERS, "mend-roster") and name in known.missing[0]
    found = find_files([season])
    assert [(each.code, Path(each.file).name) for each in found.problems] == [("another-roster", name)]
    assert len(found.files) == 1 and found.roster == season / "roster.csv"
    (season / "roster.csv").unlink()
    run["roster"]["file"] = ""
    assert find_files([season]).roster is None
    assert len(stops(known_of_run(run, PLAYERS, DAY))) == len(PLAYERS)
    (season / name).rename(season.parent / name)
    assert stops(known_of_run(run, PLAYERS, DAY)) == {}


def test_a_list_that_asks_nothing_of_a_body_holds_nobody(run: Run, season: Path) -> None:
    """Recordings may bear any name, and so may notes; what is passed over is passed over here too."""
    (season / "players.csv").write_text("player,t_s,pain\n", encoding="utf-8")
    (season / "clubs.csv").write_text("club,loft\n", encoding="utf-8")
    (season / "_players.csv").write_text("player,pain\np001,wrist\n", encoding="utf-8")
    (season / "README.txt").write_text("pain\n", encoding="utf-8")
    assert stops(known_of_run(run, PLAYERS, DAY)) == {}
    assert find_files([season]).problems == []


@pytest.mark.parametrize(
    "quoted", ['"player";"Pain"', "player\tbirth_year", "name,under_16", "p,hamate_history"]
)
def test_any_column_that_asks_of_a_body_makes_a_roster(run: Run, season: Path, quoted: str) -> None:
    (season / "list.csv").write_text(f"{quoted}\n", encoding="utf-8")
    assert stops(known_of_run(run, PLAYERS, DAY)) == dict.fromkeys(PLAYERS, "mend-roster")


def test_results_near_a_store_are_found_by_its_id(tmp_path: Path) -> None:
    with open_store(tmp_path / "coach.sqlite") as store:
        own, other = store_id(store), "0" * 16
        for name, known in {"a": own, "deep/b": own, "c": other}.items():
            (tmp_path / name).mkdir(parents=True)
            text = json.dumps({"store": {"id": known, "file": "elsewhere"}})
            (tmp_path / name / "run.json").write_text(text, encoding="utf-8")
        (tmp_path / "d").mkdir()
        (tmp_path / "d" / "run.json").write_text("[not json", encoding="utf-8")
        found = {path.relative_to(tmp_path).as_posix() for path in results_beside(store)}
        assert found == {"a", "deep/b"}
