"""Two names of one player: pain, a history or an age said under either holds under both, by every route."""

from __future__ import annotations

import json
from datetime import date, timedelta
from pathlib import Path

import pytest
from season_fakes import fake_season, write_parquet

from faultml.care.check import care_stop
from faultml.care.known import Known, known_from_file, known_of_run
from faultml.care.statements import Statement, add_statements
from faultml.results import read_results
from faultml.season import classify_season
from faultml.store import open_store
from faultml.store.names import say_apart, say_same

TODAY = date(2031, 4, 5)
NAMES = ("tom", "Harbour")
"""Nothing in one name hints at the other: only the store says that they are one player's."""
HEAD = "player,hand,level,birth_year,pain,thumb_history\n"


def roster(path: Path, **cells: str) -> Path:
    """A roster with a sound row for each name, but for the cells given by ``name_column``."""
    rows = []
    for name in NAMES:
        row = {
            "hand": "right",
            "level": "club",
            "birth_year": "1990",
            "pain": "none 2031-04-04",
            "thumb": "no",
        }
        row |= {key.split("_", 1)[1]: value for key, value in cells.items() if key.startswith(f"{name}_")}
        rows.append(",".join([name, *row.values()]))
    path.write_text(HEAD + "\n".join(rows) + "\n")
    return path


def known(tmp_path: Path, players: tuple[str, ...] = NAMES, **cells: str) -> Known:
    with open_store(tmp_path / "s.sqlite") as store:
        return known_from_file(roster(tmp_path / "roster.csv", **cells), players, TODAY, store)


def merge(tmp_path: Path, name: str = "Harbour", player: str = "tom") -> None:
    with open_store(tmp_path / "s.sqlite") as store:
        say_same(store, name, player, "ann")


@pytest.mark.parametrize("hurts", NAMES)
@pytest.mark.parametrize("recorded", [NAMES, ("tom",)], ids=["both recorded", "one recorded"])
def test_pain_said_under_either_name_stops_both(
    tmp_path: Path, hurts: str, recorded: tuple[str, ...]
) -> None:
    merge(tmp_path)
    with open_store(tmp_path / "s.sqlite") as store:
        add_statements(store, [Statement(hurts, "pain", TODAY, "wrist")], TODAY)
    found = known(tmp_path, recorded)
    for name in recorded:
        assert care_stop(found.body(name), TODAY), name


@pytest.mark.parametrize("hurts", NAMES)
@pytest.mark.parametrize("recorded", [NAMES, ("tom",)], ids=["both recorded", "one recorded"])
def test_pain_in_the_roster_under_either_name_stops_both(
    tmp_path: Path, hurts: str, recorded: tuple[str, ...]
) -> None:
    merge(tmp_path)
    found = known(tmp_path, recorded, **{f"{hurts}_pain": "wrist 2031-04-04"})
    for name in recorded:
        assert care_stop(found.body(name), TODAY), name


def test_without_the_merge_only_the_one_is_stopped(tmp_path: Path) -> None:
    found = known(tmp_path, Harbour_pain="wrist 2031-04-04")
    assert care_stop(found.body("Harbour"), TODAY) and not care_stop(found.body("tom"), TODAY)


def test_a_history_and_the_younger_age_count_under_both(tmp_path: Path) -> None:
    merge(tmp_path)
    found = known(tmp_path, Harbour_thumb="yes", Harbour_birth_year="2020")
    for name in NAMES:
        assert found.body(name).histories["thumb_history"] is True
        assert found.body(name).is_minor(TODAY) is True


def test_parted_names_are_two_people_again(tmp_path: Path) -> None:
    merge(tmp_path)
    with open_store(tmp_path / "s.sqlite") as store:
        say_apart(store, "Harbour", "tom", "ann")
    found = known(tmp_path, Harbour_pain="wrist 2031-04-04")
    assert not care_stop(found.body("tom"), TODAY)


def test_results_remember_whom_they_have_put_together(tmp_path: Path) -> None:
    """Without the merge in the store at hand, what is said under the other name still holds."""
    season = tmp_path / "season"
    season.mkdir()
    write_parquet(fake_season(3).assign(player="tom"), season / "a.parquet")
    write_parquet(fake_season(3).assign(player="Harbour", session="2026-05-02"), season / "b.parquet")
    roster(season / "roster.csv")
    merge(tmp_path)
    run = classify_season(season, tmp_path / "r", store=tmp_path / "s.sqlite", today=TODAY)
    assert set(run.results.swings["player"]) == {"tom"}
    assert "player-not-in-roster" not in {code for code, _ in run.problem_counts}
    with open_store(tmp_path / "s.sqlite") as store:
        say_apart(store, "Harbour", "tom", "ann")
        add_statements(store, [Statement("Harbour", "pain", TODAY, "wrist")], TODAY)
    written = json.loads((tmp_path / "r" / "run.json").read_text())
    assert written["same_names"] == [{"name": "Harbour", "player": "tom"}]
    now = known_of_run(read_results(tmp_path / "r").run, ["tom"], TODAY, store=tmp_path / "s.sqlite")
    assert care_stop(now.body("tom"), TODAY)


def test_a_row_under_the_other_name_is_the_players(tmp_path: Path) -> None:
    merge(tmp_path)
    path = tmp_path / "roster.csv"
    path.write_text(HEAD + "Harbour,left,club,1990,none 2031-04-04,no\n")
    with open_store(tmp_path / "s.sqlite") as store:
        found = known_from_file(path, ["tom"], TODAY + timedelta(days=1), store)
    assert found.roster.set_index("player").loc["tom", "hand"] == "left"
    assert not care_stop(found.body("tom"), TODAY) and not found.open_names
