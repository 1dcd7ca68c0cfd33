"""A generated season through every command a coach uses."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

from faultml.cli import main
from faultml.results.pages import page_name


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("coach")
    run(
        [
            "simulate",
            "--out",
            str(out),
            "--golfers",
            "3",
            "--sessions",
            "3",
            "--swings",
            "8",
            "--seed",
            "4",
            "--jobs",
            "1",
        ]
    )
    run(["classify", str(out / "season"), "--out", str(out / "results")], (0, 3))
    return out


def run(arguments: list[str], codes: tuple[int, ...] = (0,)) -> str:
    result = CliRunner().invoke(main, arguments)
    assert result.exit_code in codes, result.output
    return result.stdout


def test_every_recording_has_its_row_and_every_assessed_fault_a_probability(folder: Path) -> None:
    swings = pd.read_parquet(folder / "results" / "swings.parquet")
    faults = pd.read_parquet(folder / "results" / "faults.parquet")
    truth = pd.read_parquet(folder / "truth" / "recordings.parquet")
    ids = ["player", "session", "swing"]
    assert len(swings) == len(truth) == len(swings.drop_duplicates(ids))
    assert len(faults) == 17 * len(swings)
    assessed = faults["status"] == "assessed"
    assert faults.loc[assessed, "probability"].between(0, 1).all()
    assert faults.loc[~assessed, "probability"].isna().all()
    assert (faults.loc[~assessed, "reason"] != "").all()
    full = truth["kind"].eq("full").to_numpy()
    assert swings.merge(truth[ids], on=ids)["assessed"][full].mean() > 0.9


def test_truth_is_not_in_the_season(folder: Path) -> None:
    season = pd.read_parquet(folder / "season" / "season.parquet")
    assert not [
        name for name in season.columns if name.startswith(("measure", "size", "kind", "takeaway", "guard"))
    ]


def test_what_is_clearly_there_is_found_and_what_is_clearly_not_is_left_alone(folder: Path) -> None:
    """Internal: the generator's own truth. Loose on purpose; the card has the figures."""
    ids = ["player", "session", "swing"]
    faults = pd.read_parquet(folder / "results" / "faults.parquet")
    truth = pd.read_parquet(folder / "truth" / "recordings.parquet")
    reported = faults[faults["status"] == "assessed"].merge(truth, on=ids)
    measure = reported.apply(lambda row: row[f"measure_{row['fault']}"], axis=1)
    sign = reported.groupby("fault")["edge"].transform("first") * 0 + reported["fault"].map(_signs())
    past = sign * (measure - reported["edge"]) / reported["unit"].map({"deg": 1.0, "share": 0.01})
    assert reported.loc[past > 10, "flagged"].mean() > 0.8
    assert reported.loc[past < -10, "flagged"].mean() < 0.02


def _signs() -> dict[str, int]:
    from faultml.faults.catalogue import load_catalogue

    return {fault.id: fault.sign for fault in load_catalogue().faults}


def test_the_report_and_the_explanation(folder: Path) -> None:
    page = (folder / "results" / "report.html").read_text(encoding="utf-8")
    players = sorted(pd.read_parquet(folder / "results" / "players.parquet")["player"].unique())
    assert players == ["p001", "p002", "p003"] and all(player in page for player in players)
    assert all(f'href="players/{page_name(player)}"' in page for player in players)
    assert sorted(path.name for path in (folder / "results" / "players").iterdir()) == sorted(
        map(page_name, players)
    )
    said = run(["explain", str(folder / "results"), "--player", "p001"])
    assert "p001" in said
    run(["report", str(folder / "results"), "--out", str(folder / "again.html")])
    assert (folder / "again.html").stat().st_size > 10_000


def test_run_json_says_what_made_the_results(folder: Path) -> None:
    content = json.loads((folder / "results" / "run.json").read_text(encoding="utf-8"))
    assert (
        content["model"]["sha256"] and content["coaching"]["catalogue"] and content["counts"]["swings"] == 72
    )
