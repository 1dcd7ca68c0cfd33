from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from faultml.cli import main
from faultml.coaching.book import load_book
from faultml.faults.catalogue import load_catalogue

FAULTS = [fault.id for fault in (*load_catalogue().faults, *load_catalogue().session_faults)]
DRILLS = [drill.id for drill in load_book().drills]


def printed(*arguments: str) -> str:
    result = CliRunner().invoke(main, ["catalogue", *arguments])
    assert result.exit_code == 0, result.output
    return result.stdout


def test_every_fault_and_every_drill_is_printed() -> None:
    said = printed()
    assert said.startswith("FAULTS\n") and "\nDRILLS\n" in said
    assert [name for name in (*FAULTS, *DRILLS) if f"[{name}]\n" not in said] == []
    assert max(map(len, said.splitlines())) <= 92


def test_a_part_can_be_asked_for() -> None:
    assert f"[{DRILLS[0]}]\n" not in printed("--faults").split("drills")[0]
    drills = printed("--drills")
    assert "DRILLS" not in drills and "\n\nFAULTS" not in drills and f"[{DRILLS[-1]}]\n" in drills


def test_one_fault_says_what_is_measured_and_whose_the_edge_is() -> None:
    said = printed("flexed_top")
    assert "bowed top  [flexed_top]" in said
    assert "wrist bend at the top, from the swing's own address" in said
    assert "above +25° - the default catalogue" in said
    assert "late save" in said and "two_stops_to_the_top" in said
    assert "below 50 % of the downswing" in printed("early_ulnar_release")


def test_one_drill_is_printed_with_all_that_the_player_needs() -> None:
    drill = load_book()["two_stops_to_the_top"]
    said = " ".join(printed(drill.id).split())
    for needed in (
        *drill.without_ball,
        *drill.with_ball,
        drill.check,
        drill.stop,
        drill.aim,
        str(drill.dose),
    ):
        assert needed in said
    assert "wrist bend at the top stays below +20° from your own setup" in said


def test_a_fault_is_found_by_the_name_that_the_report_gives_it() -> None:
    assert printed("Casting") == printed("early_ulnar_release")
    assert printed("Pause, look, go") == printed("pause_then_go")


def test_json_holds_the_same() -> None:
    entries = json.loads(printed("--json"))
    assert [entry["id"] for entry in entries] == FAULTS + DRILLS
    reported = json.loads(printed("flexed_top", "--json"))[0]
    assert reported["part"] == "faults" and reported["lines"]["present"].startswith("above +25°")


def test_a_players_own_edge_is_printed_with_its_owner(tmp_path: Path) -> None:
    file = tmp_path / "edges.toml"
    file.write_text('owner = "Lindow Park"\n[[edge]]\nfault = "flexed_top"\nvalue = 34.0\nplayer = "p07"\n')
    assert "above +34° - Lindow Park" in printed("flexed_top", "--catalogue", str(file), "--player", "p07")
    assert "above +25° - the default" in printed("flexed_top", "--catalogue", str(file), "--player", "p08")


@pytest.mark.parametrize("arguments", [["nothing_such"], ["flexed_top", "--drills"]])
def test_an_unknown_name_lists_the_known_ones(arguments: list[str]) -> None:
    result = CliRunner().invoke(main, ["catalogue", *arguments])
    assert result.exit_code == 2
    assert DRILLS[0] in result.stderr
