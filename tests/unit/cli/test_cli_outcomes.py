"""``faultml assign`` and ``faultml outcomes``: from a season to what a coach reads."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from faultml.classifier.bundle import Bundle
from faultml.classifier.coach_eye import save_eye
from faultml.cli import main
from faultml.coaching.explain import EXPLANATIONS_FILE
from faultml.faults.catalogue import Catalogue
from faultml.outcomes.assignments import assignments, read_assignments
from faultml.outcomes.change import CHANGE_COLUMNS
from faultml.recordings.write import write_season
from faultml.results import read_results
from faultml.season import classify_season
from faultml.store import open_store
from faultml.store.people import forget, note_training
from faultml.synthetic.season import Recipe, draw_season

DRILL = "two_stops_to_the_top"


def run(*arguments: object) -> tuple[int, str, str]:
    result = CliRunner().invoke(main, [str(each) for each in arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.stdout, result.stderr


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory, catalogue: Catalogue) -> Path:
    folder = tmp_path_factory.mktemp("outcomes") / "season"
    recipe = Recipe(golfers=4, sessions=6, swings=6, seed=5)
    write_season(draw_season(catalogue, recipe).batch, folder / "season.parquet")
    return folder


@pytest.fixture(scope="module")
def results(season: Path, bundle: Bundle) -> Path:
    classify_season([season], season.parent / "results", bundle=bundle)
    return season.parent / "results"


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "coach.sqlite"


def test_from_a_drill_given_to_what_it_changed(results: Path, store: Path, tmp_path: Path) -> None:
    first = Recipe().first_day
    since = (first + timedelta(days=7)).isoformat()
    for player in ("p001", "p002", "p003"):
        code, said, warned = run(
            "assign", player, DRILL, "--from", since, "--practice", 100, "--store", store
        )
        assert code == 0
        assert "Not checked whether anything hurts" in warned
        assert "Noted" in said
        assert "[flexed_top]" in said
    code, said, _ = run("outcomes", results, "--store", store, "--out", tmp_path / "outcomes.csv")
    assert code == 0
    assert "better by" in said
    assert said.count(DRILL) >= 3
    assert "nan" not in said
    told = json.loads(run("outcomes", results, "--store", store, "--json")[1])
    assert [each["player"] for each in told["outcomes"]] == ["p001", "p002", "p003"]
    own = run("outcomes", results, "--store", store, "--player", "p002")[1]
    assert own.startswith("p002: ")
    code, _, error = run("outcomes", results, "--store", store, "--player", "p009")
    assert (code, "unknown-player" in error) == (2, True)


def test_the_season_is_classified_as_before_where_no_outcome_is_given(
    season: Path, results: Path, bundle: Bundle, tmp_path: Path
) -> None:
    with_none = classify_season([season], tmp_path / "again", bundle=bundle, assigned=None, outcomes=None)
    assert with_none.exit_code in (0, 3)
    again = read_results(tmp_path / "again")
    for name in ("players", "drills", "retests"):
        pd.testing.assert_frame_equal(again.frame(name), read_results(results).frame(name))
    texts = [(folder / EXPLANATIONS_FILE).read_bytes() for folder in (results, tmp_path / "again")]
    assert texts[0] == texts[1]


def test_outcomes_reach_the_ranking(season: Path, results: Path, bundle: Bundle, tmp_path: Path) -> None:
    drills = read_results(results).drills
    best = drills[drills["rank"] == 1].iloc[0]
    fault = best["faults"][0]
    earlier = pd.DataFrame(
        {
            "player": [f"e{number}" for number in range(6)],
            "drill": best["drill"],
            "fault": fault,
            "verdict": ["held"] * 4 + ["no-change"] * 2,
            "change": np.array([-9.0, -8.0, -10.0, -7.0, -2.0, -1.0]),
            "change_sd": 2.0,
            "shared_sd": 0.5,
        }
    ).reindex(columns=CHANGE_COLUMNS)
    classify_season([season], tmp_path / "learned", bundle=bundle, outcomes=earlier)
    told = read_results(tmp_path / "learned").drills
    notes = told[(told["player"] == best["player"]) & (told["drill"] == best["drill"])]["notes"].iloc[0]
    assert any("4 of 6 of your players" in note for note in notes)
    kept = read_results(tmp_path / "learned").outcomes
    assert kept is not None
    assert list(kept["player"]) == [f"e{number}" for number in range(6)]
    assert read_results(results).outcomes is None


def test_the_report_tells_of_drills_given_in_the_store_and_so_does_its_folder_later(
    season: Path, store: Path, tmp_path: Path
) -> None:
    since = (Recipe().first_day + timedelta(days=7)).isoformat()
    run("assign", "p001", DRILL, "--from", since, "--store", store)
    code, _, _ = run("classify", season, "--out", tmp_path / "told", "--store", store, "--quiet")
    assert code in (0, 3)
    page = (tmp_path / "told" / "report.html").read_text(encoding="utf-8")
    assert page.count("Did it work?</h3>") == 1
    assert run("report", tmp_path / "told", "--out", tmp_path / "again.html")[0] == 0
    assert "Did it work?</h3>" in (tmp_path / "again.html").read_text(encoding="utf-8")


def test_an_eye_that_has_learned_from_somebody_forgotten_is_told_when_it_is_used(
    season: Path, bundle: Bundle, catalogue: Catalogue, store: Path, tmp_path: Path
) -> None:
    eye = {
        **dict.fromkeys(("coach", "learned", "labels_sha256", "why"), "ann"),
        **dict.fromkeys(("slip", "slip_sd", "unrelated"), 0.01),
        "model_sha256": bundle.manifest.sha256,
        "adopted": False, "swings": 1, "golfers": 1, "labelled_players": (), "held_out": {}, "faults": {},
    }  # fmt: skip
    saved = save_eye(tmp_path / "ann", catalogue, eye)
    with open_store(store) as opened:
        note_training(opened, saved.sha256, ["p9"])
    use = (
        "classify",
        season,
        "--out",
        tmp_path / "out",
        "--coach",
        tmp_path / "ann",
        "--store",
        store,
        "--no-report",
    )
    assert "forgotten" not in run(*use)[2]
    with open_store(store) as opened:
        forget(opened, "p9")
    assert "eye of ann has learned from somebody who was forgotten" in run(*use)[2]


def test_a_sheet_goes_in_and_out(store: Path, tmp_path: Path) -> None:
    sheet = tmp_path / "given.csv"
    sheet.write_text(f"player,drill,since\np1,{DRILL},2031-03-01\np1,{DRILL},2031-03-01\n=p2,{DRILL},s3\n")
    code, said, _ = run("assign", "--import", sheet, "--store", store)
    assert (code, said) == (0, "2 drills noted, 1 stood there already\n")
    assert run("assign", "--export", tmp_path / "out.csv", "--store", store)[0] == 0
    strengths = {DRILL: {"flexed_top": 0.7}}
    back, problems = read_assignments(tmp_path / "out.csv", strengths, ("flexed_top",))
    assert problems == []
    with open_store(store) as opened:
        assert [each.player for each in back] == list(assignments(opened)["player"]) == ["=p2", "p1"]


def test_a_wrong_sheet_leaves_nothing(store: Path, tmp_path: Path) -> None:
    sheet = tmp_path / "given.csv"
    sheet.write_text(f"player,drill,since,balls_a_week\np1,{DRILL},2031-03-01,10\np2,no_such,2031-03-01,-4\n")
    code, _, error = run("assign", "--import", sheet, "--store", store)
    assert code == 2
    assert "row 3, drill: expected a drill of the book" in error
    assert "row 3, balls_a_week" in error
    with open_store(store) as opened:
        assert len(assignments(opened)) == 0


def test_what_was_noted_by_mistake_is_taken_back(store: Path) -> None:
    given = ("assign", "p1", DRILL, "--from", "2031-03-01", "--store", store)
    run(*given)
    assert run(*given, "--remove")[0] == 0
    code, _, error = run(*given, "--remove")
    assert (code, "no-such-assignment" in error) == (2, True)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("p1", "no_such_drill"), "bad-drill"),
        (("p1", DRILL, "--fault", "inconsistent_face"), "bad-fault"),
        (("p1",), "give PLAYER and DRILL"),
        ((), "give PLAYER and DRILL"),
        (("p1", DRILL, "--export", "x.csv"), "give PLAYER and DRILL"),
    ],
)
def test_wrong_use_is_told(store: Path, arguments: tuple[str, ...], words: str) -> None:
    code, _, error = run("assign", *arguments, "--store", store)
    assert code == 2
    assert words in error
    assert not store.exists()


def test_no_drill_is_noted_for_somebody_in_pain(
    results: Path, store: Path, tmp_path: Path, season: Path
) -> None:
    hurt = tmp_path / "hurt"
    hurt.mkdir()
    (hurt / "season.parquet").write_bytes((season / "season.parquet").read_bytes())
    (hurt / "roster.csv").write_text("player,pain\np001,wrist\n")
    classify_season([hurt], tmp_path / "told")
    code, _, error = run("assign", "p001", DRILL, "--results", tmp_path / "told", "--store", store)
    assert code == 2
    assert "see-clinician" in error
    assert run("assign", "p002", DRILL, "--results", tmp_path / "told", "--store", store)[0] == 0
    run("assign", "p001", DRILL, "--store", store)
    assert "Care comes first" in run("outcomes", tmp_path / "told", "--store", store)[1]
