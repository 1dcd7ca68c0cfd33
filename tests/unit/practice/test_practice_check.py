"""``faultml practice check``: a file judged as the engine judges the same samples live."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from practice_fakes import Path as Motion
from practice_fakes import of, run, write_recording

from faultml.cli import main
from faultml.coaching.book import load_book
from faultml.coaching.rules import load_coaching
from faultml.errors import InputError
from faultml.faults.catalogue import Catalogue
from faultml.practice.engine import Engine
from faultml.practice.events import Repetition
from faultml.practice.frames import Sample
from faultml.practice.of_results import target_of_results
from faultml.results import read_results

DRILL = "two_stops_to_the_top"


def command(*arguments: object) -> tuple[int, str, str]:
    result = CliRunner().invoke(main, ["practice", *map(str, arguments)])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.stdout, result.stderr


@pytest.fixture(scope="module")
def target(season: Path, catalogue: Catalogue):
    results = read_results(season / "results")
    return target_of_results(results, "p001", load_book()[DRILL], load_coaching(catalogue))


@pytest.fixture(scope="module")
def samples(target) -> list[Sample]:
    """Three repetitions, the second past the bound as it lies for this player."""
    bound = target.placed_at(target.usual_setup_deg).window.bound_deg
    path = Motion(setup_deg=target.usual_setup_deg).hold(1)
    for past in (-10.0, 6.0, -5.0):
        path.station("hip_back").station("top", flexion=bound + past).to((0, 0, 0), 1.3).hold(1)
    return path.samples()


def test_a_file_is_judged_as_the_live_engine_judges_it(season, samples, target, tmp_path):
    file = write_recording(samples, tmp_path / "tuesday.csv")
    asked = ["check", file, "--drill", DRILL, "--player", "p001", "--results", season / "results"]
    asked += ["--store", tmp_path / "none.sqlite"]
    code, out, _ = command(*asked, "--json")
    assert code == 0
    offline = [each for each in map(json.loads, out.splitlines()) if each["event"] == "repetition"]
    live = of(run(Engine(target), samples), Repetition)
    assert [each.verdict for each in live] == ["inside", "outside", "inside"]
    assert [(each["verdict"], each["margin_deg"]) for each in offline] == [
        (each.verdict, pytest.approx(each.margin_deg, abs=0.01)) for each in live
    ]
    code, out, _ = command(*asked)
    assert code == 0
    assert "outside, by 6°" in out
    assert out.endswith("3 repetitions, 3 judged, 2 inside.\n")


def test_a_paused_player_has_nothing_judged(season, samples, tmp_path):
    store = tmp_path / "store.sqlite"
    assert (
        CliRunner()
        .invoke(main, ["players", "hurts", "p001", "--where", "wrist", "--store", str(store)])
        .exit_code
        == 0
    )
    file = write_recording(samples, tmp_path / "tuesday.csv")
    code, out, err = command(
        "check", file, "--drill", DRILL, "--player", "p001", "--results", season / "results", "--store", store
    )
    assert code == 2
    assert "paused" in err
    assert "wrist" not in err
    assert not out


def test_another_players_recording_is_refused(season, samples, tmp_path):
    file = write_recording(samples, tmp_path / "tuesday.csv", player="p002")
    code, _, err = command(
        "check", file, "--drill", DRILL, "--player", "p001", "--results", season / "results",
        "--store", tmp_path / "none.sqlite",
    )  # fmt: skip
    assert code == 2
    assert "no-recording" in err
    assert "p002" in err


def test_a_drill_without_a_sensor_says_how_it_is_checked_alone(season, catalogue):
    drill = load_book()["same_count_same_brush"]
    with pytest.raises(InputError, match="no-sensor") as refused:
        target_of_results(read_results(season / "results"), "p001", drill, load_coaching(catalogue))
    assert drill.check in refused.value.expected
