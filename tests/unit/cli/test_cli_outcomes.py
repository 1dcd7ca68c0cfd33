"""``faultml assign`` and ``faultml outcomes``: from a season to what a coach reads."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from faultml.care.statements import statements
from faultml.classifier.assess import Assessor
from faultml.classifier.coach_adaptation import save_adaptation
from faultml.cli import main
from faultml.coaching.explain import EXPLANATIONS_FILE
from faultml.faults.catalogue import Catalogue
from faultml.outcomes.assignments import assignments
from faultml.outcomes.change import CHANGE_COLUMNS
from faultml.recordings.write import write_season
from faultml.results import read_results
from faultml.results.pages import page_name
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
def results(season: Path, assessor: Assessor) -> Path:
    classify_season([season], season.parent / "results", assessor=assessor)
    return season.parent / "results"


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "coach.sqlite"


def test_from_a_drill_given_to_what_it_changed(results: Path, store: Path, tmp_path: Path) -> None:
    first = Recipe().first_day
    since = (first + timedelta(days=7)).isoformat()
    for player in ("p001", "p002", "p003"):
        code, said, _ = run(
            "assign", player, DRILL, "--from", since, "--practice", 100, "--nothing-hurts",
            "--results", results, "--store", store,
        )  # fmt: skip
        assert code == 0
        assert "Noted" in said
        assert "[flexed_top]" in said
    code, said, _ = run("outcomes", results, "--store", store, "--out", tmp_path / "outcomes.csv")
    assert code == 0
    assert "better by" in said
    assert said.count(DRILL) >= 3
    assert "nan" not in said
    reported = json.loads(run("outcomes", results, "--store", store, "--json")[1])
    assert [each["player"] for each in reported["outcomes"]] == ["p001", "p002", "p003"]
    own = run("outcomes", results, "--store", store, "--player", "p002")[1]
    assert own.startswith("p002: ")
    code, _, error = run("outcomes", results, "--store", store, "--player", "p009")
    assert (code, "unknown-player" in error) == (2, True)


def test_the_season_is_classified_as_before_where_no_outcome_is_given(
    season: Path, results: Path, assessor: Assessor, tmp_path: Path
) -> None:
    with_none = classify_season([season], tmp_path / "again", assessor=assessor, assigned=None, outcomes=None)
    assert with_none.exit_code in (0, 3)
    again = read_results(tmp_path / "again")
    for name in ("players", "drills", "retests"):
        pd.testing.assert_frame_equal(again.frame(name), read_results(results).frame(name))
    texts = [(folder / EXPLANATIONS_FILE).read_bytes() for folder in (results, tmp_path / "again")]
    assert texts[0] == texts[1]


def test_outcomes_reach_the_ranking(season: Path, results: Path, assessor: Assessor, tmp_path: Path) -> None:
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
    classify_season([season], tmp_path / "learned", assessor=assessor, outcomes=earlier)
    shown = read_results(tmp_path / "learned").drills
    notes = shown[(shown["player"] == best["player"]) & (shown["drill"] == best["drill"])]["notes"].iloc[0]
    assert any("4 of 6 of your players" in note for note in notes)
    kept = read_results(tmp_path / "learned").outcomes
    assert kept is not None
    assert list(kept["player"]) == [f"e{number}" for number in range(6)]
    assert read_results(results).outcomes is None


def test_the_report_tells_of_drills_given_in_the_store_and_so_does_its_folder_later(
    season: Path, results: Path, store: Path, tmp_path: Path
) -> None:
    since = (Recipe().first_day + timedelta(days=7)).isoformat()
    run("assign", "p001", DRILL, "--from", since, "--nothing-hurts", "--results", results, "--store", store)
    code, _, _ = run("classify", season, "--out", tmp_path / "shown", "--store", store, "--quiet")
    assert code in (0, 3)
    page = (tmp_path / "shown" / "players" / page_name("p001")).read_text(encoding="utf-8")
    assert page.count("Did it work?</h3>") == 1
    assert run("report", tmp_path / "shown", "--out", tmp_path / "again.html")[0] == 0
    assert "Did it work?</h3>" in (tmp_path / "again.html").read_text(encoding="utf-8")


def test_using_an_adaptation_learned_from_a_forgotten_player_warns(
    season: Path, assessor: Assessor, catalogue: Catalogue, store: Path, tmp_path: Path
) -> None:
    adaptation = {
        **dict.fromkeys(("coach", "learned", "labels_sha256", "why"), "ann"),
        **dict.fromkeys(("lapse_rate", "lapse_rate_sd", "unrelated"), 0.01),
        "model_sha256": assessor.bundle.manifest.sha256,
        "adopted": False, "swings": 1, "golfers": 1, "labelled_players": (), "held_out": {}, "faults": {},
    }  # fmt: skip
    saved = save_adaptation(tmp_path / "ann", catalogue, adaptation)
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
    assert "adaptation of ann has learned from somebody who was forgotten" in run(*use)[2]


def test_a_sheet_goes_in_and_out(results: Path, store: Path, tmp_path: Path) -> None:
    sheet = tmp_path / "given.csv"
    rows = [
        f"p001,{DRILL},2031-03-01,none",
        f"p001,{DRILL},2031-03-01,none",
        "p002,Two stops to the TOP,s3,none",
    ]
    sheet.write_text("player,drill,since,hurts\n" + "\n".join(rows) + "\n")
    code, said, _ = run("assign", "--import", sheet, "--results", results, "--store", store)
    assert (code, said) == (0, "2 drills noted, 1 stood there already\n")
    out = tmp_path / "out.csv"
    assert run("assign", "--export", out, "--store", store)[0] == 0
    # Both were asked today, so that the sheet comes back without the column.
    code, said, _ = run("assign", "--import", out, "--results", results, "--store", store)
    assert (code, said) == (0, "0 drills noted, 2 stood there already\n")
    with open_store(store) as opened:
        assert list(assignments(opened)["drill"]) == [DRILL, DRILL]


def test_a_wrong_sheet_leaves_nothing_and_says_all_at_once(
    results: Path, store: Path, tmp_path: Path
) -> None:
    sheet = tmp_path / "given.csv"
    rows = [
        f"p001,{DRILL},2031-03-01,10,none",
        "p0x2,two stops at the top,2031-03-01,-4,none",
        f"p003,{DRILL},2031-03-01,,",
        f"p004,{DRILL},2031-03-01,,elbow",
        f"p004,{DRILL},2031-03-02,,none",
    ]
    sheet.write_text("player,drill,since,balls_a_week,hurts\n" + "\n".join(rows) + "\n")
    code, _, error = run("assign", "--import", sheet, "--results", results, "--store", store)
    assert code == 2
    for words in (
        f"row 3, drill: expected a drill of the book: see faultml catalogue; {DRILL}",
        "row 3, player: expected a player of the season",
        "row 3, balls_a_week",
        "row 4, hurts: expected an answer to: Does anything hurt today",
        "row 5, hurts: expected none, or no drill",
        "row 6, hurts: expected none in every row of the player",
    ):
        assert words in error, error
    assert "elbow\n" not in error and "paused: p004" in error
    with open_store(store) as opened:
        assert not len(assignments(opened))
        said = [(each.player, each.about, each.value) for each in statements(opened)]
    assert said == [("p004", "pain", "elbow")], "what hurts is recorded whatever becomes of the drills"


def test_a_fault_is_named_as_it_is_printed(results: Path, store: Path) -> None:
    given = ("assign", "p001", DRILL, "--from", "2031-03-01", "--store", store)
    asked = ("--nothing-hurts", "--results", results)
    code, said, _ = run(*given, *asked, "--fault", "Bowed  Top")
    assert (code, "for bowed top [flexed_top]" in said) == (0, True)
    assert run(*given, "--remove", "--fault", "bowed top")[0] == 0
    code, _, error = run(*given, *asked, "--fault", "bowed bottom")
    assert (code, "bad-fault" in error) == (2, True)


def test_no_drill_for_a_paused_player_is_refused_in_a_plain_sentence(results: Path, store: Path) -> None:
    assert run("players", "hurts", "p001", "--where", "wrist", "--store", store)[0] == 0
    day = ("--from", "2031-03-01")
    code, said, error = run("assign", "p001", DRILL, *day, "--results", results, "--store", store)
    assert (code, said) == (2, "")
    assert error == (
        "p001: no drill is noted. Paused: speak with the player before any drill; "
        "faultml players care says what is open.\n"
    )


def test_what_was_noted_by_mistake_is_taken_back(results: Path, store: Path) -> None:
    given = ("assign", "p001", DRILL, "--from", "2031-03-01", "--store", store)
    run(*given, "--nothing-hurts", "--results", results)
    assert run(*given, "--remove")[0] == 0
    code, _, error = run(*given, "--remove")
    assert (code, "no-such-assignment" in error) == (2, True)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("p001", "no_such_drill", "--nothing-hurts"), "bad-drill"),
        (("p001", DRILL, "--fault", "inconsistent_face", "--nothing-hurts"), "bad-fault"),
        (("p1", DRILL, "--nothing-hurts"), "bad-player"),
        (("p001", DRILL), "ask-first"),
        (("p1",), "give PLAYER and DRILL"),
        ((), "give PLAYER and DRILL"),
        (("p1", DRILL, "--export", "x.csv"), "give PLAYER and DRILL"),
    ],
)
def test_wrong_use_is_reported(results: Path, store: Path, arguments: tuple[str, ...], words: str) -> None:
    code, _, error = run("assign", *arguments, "--results", results, "--store", store)
    assert code == 2
    assert words in error
    assert not store.exists()


def test_without_results_no_drill_is_noted(store: Path) -> None:
    code, _, error = run("assign", "p001", DRILL, "--nothing-hurts", "--store", store)
    assert code == 2 and "give --results" in error and not store.exists()


def test_outcomes_say_who_is_paused_now(results: Path, store: Path) -> None:
    run("assign", "p001", DRILL, "--nothing-hurts", "--results", results, "--store", store)
    assert "Care comes first" not in run("outcomes", results, "--store", store)[1]
    assert run("players", "hurts", "p001", "--where", "wrist", "--store", store)[0] == 0
    said = run("outcomes", results, "--store", store)[1]
    assert "Care comes first, whatever has worked: no drill now for p001." in said and "wrist" not in said
