"""A season's run: exit codes, results replaced as a whole, killed runs, and the same tables however it is run."""

from __future__ import annotations

import signal
import subprocess
import sys
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from faultml.classifier.assess import Assessor
from faultml.cli import main
from faultml.errors import InputError
from faultml.faults.catalogue import Catalogue
from faultml.recordings.read import open_season
from faultml.recordings.write import write_season
from faultml.results import read_results
from faultml.season import CURVES_PER_PLAYER, Progress, SeasonRun, classify_season
from faultml.synthetic.nonswings import DEAD_CHANNEL
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import draw_season

RECIPE = Recipe(golfers=3, sessions=3, swings=7, seed=14, rate_hz=100.0)
TABLES = ("swings", "faults", "players", "drills", "curves")


@pytest.fixture(scope="module")
def season(catalogue: Catalogue, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """63 recordings without a dead channel among them, so that there is no problem to tell of."""
    drawn = draw_season(catalogue, RECIPE)
    kept = (drawn.truth["kind"] != DEAD_CHANNEL).to_numpy()
    batch = replace(
        drawn.batch,
        table=drawn.batch.table[kept].reset_index(drop=True),
        t_s=drawn.batch.t_s[kept],
        angles_deg=drawn.batch.angles_deg[kept],
        n_samples=drawn.batch.n_samples[kept],
    )
    folder = tmp_path_factory.mktemp("season")
    write_season(batch, folder / "season.parquet")
    return folder


def classified(season: Path, out: Path, batch_size: int = 20, **options: object) -> SeasonRun:
    return classify_season(open_season([season], batch_size=batch_size), out, **options)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def results(season: Path, assessor: Assessor, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("results") / "deep" / "results"
    classified(season, out, assessor=assessor)
    return out


def content(folder: Path) -> dict[str, bytes]:
    """Every file of a folder, by its path there."""
    files = (path for path in folder.rglob("*") if path.is_file())
    return {str(path.relative_to(folder)): path.read_bytes() for path in files}


def assert_same_tables(one: Path, other: Path) -> None:
    first, second = read_results(one), read_results(other)
    for name in TABLES:
        left, right = getattr(first, name), getattr(second, name)
        assert len(left)
        pd.testing.assert_frame_equal(left, right, check_exact=True)


def test_every_recording_is_in_the_tables(season: Path, results: Path) -> None:
    given, read = pd.read_parquet(season / "season.parquet"), read_results(results)
    ids = ["player", "session", "swing"]
    pd.testing.assert_frame_equal(read.swings[ids], given[ids].astype(read.swings[ids].dtypes.to_dict()))
    assert len(read.faults) == 17 * len(given)
    assert set(read.players["player"]) == set(read.drills["player"]) == set(given["player"])
    counts = read.run["counts"]
    assert counts["swings"] == len(given) and counts["assessed"] == read.swings["assessed"].sum()
    assert counts["players"] == 3 and counts["problems"] == 0
    assert (read.curves.groupby("player").size() <= CURVES_PER_PLAYER).all()


def test_the_run_says_what_it_was_made_with(results: Path, assessor: Assessor, catalogue: Catalogue) -> None:
    run = read_results(results).run
    assert run["model"]["sha256"] == assessor.bundle.manifest.sha256
    assert run["catalogue"] == {"owner": catalogue.owner, "sha256": catalogue.digest}


def test_two_processes_leave_what_one_leaves(season: Path, results: Path, tmp_path: Path) -> None:
    classified(season, tmp_path / "two", on="local:2", partition_swings=9)
    assert_same_tables(results, tmp_path / "two")


def test_problems_stand_in_the_same_order_whatever_the_partitions(season: Path, tmp_path: Path) -> None:
    # Some that reading tells of and some that come with the motion, in every batch.
    table = pd.read_parquet(season / "season.parquet")
    table["flexion_deg"] = [
        each[:40] if row % 5 == 1 else each for row, each in enumerate(table["flexion_deg"])
    ]
    for name in ("ulnar_deg", "pronation_deg"):
        table[name] = [
            -each if row % 5 == 3 and each is not None else each for row, each in enumerate(table[name])
        ]
    (tmp_path / "bad").mkdir()
    table.to_parquet(tmp_path / "bad" / "season.parquet", row_group_size=9)
    reported = []
    for on, swings in (("here", 63), ("here", 7), ("local:3", 10)):
        out = tmp_path / f"{on}-{swings}"
        run = classified(tmp_path / "bad", out, batch_size=9, on=on, partition_swings=swings)
        assert run.n_problems and sum(run.problem_counts.values()) == run.n_problems
        reported.append((out / "problems.csv").read_text(encoding="utf-8"))
    assert reported[0] == reported[1] == reported[2]
    assert {"length-mismatch", "side-suspected"} <= set(pd.read_csv(out / "problems.csv")["code"])


def test_the_first_season_of_a_process_says_nothing_of_its_threads(season: Path, tmp_path: Path) -> None:
    """In a process of its own, in which nothing has been compiled or loaded yet."""
    code = (
        "import sys; from pathlib import Path; from faultml.recordings.read import open_season; "
        "from faultml.season import classify_season; "
        "classify_season(open_season([Path(sys.argv[1])], batch_size=5), sys.argv[2], on='local:2', "
        "partition_swings=20)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(season), str(tmp_path / "out")], capture_output=True, text=True
    )
    assert (done.returncode, done.stderr) == (0, "")


def test_batches_of_another_size_leave_the_same(
    season: Path, results: Path, assessor: Assessor, tmp_path: Path
) -> None:
    classified(season, tmp_path / "other", batch_size=7, assessor=assessor)
    assert_same_tables(results, tmp_path / "other")


def test_csv_tables_hold_what_parquet_tables_hold(
    season: Path, results: Path, assessor: Assessor, tmp_path: Path
) -> None:
    classified(season, tmp_path / "csv", assessor=assessor, table_format="csv")
    assert all(path.stem.startswith("sums_") for path in (tmp_path / "csv").glob("*.parquet"))
    assert (tmp_path / "csv" / "faults.csv").exists()
    assert_same_tables(results, tmp_path / "csv")


def test_the_same_swings_from_long_csv_say_the_same(
    season: Path, results: Path, assessor: Assessor, tmp_path: Path
) -> None:
    (tmp_path / "long").mkdir()
    write_season(next(open_season([season]).batches()), tmp_path / "long" / "season.csv")
    classified(tmp_path / "long", tmp_path / "results", assessor=assessor)
    from_csv, from_parquet = read_results(tmp_path / "results").faults, read_results(results).faults
    np.testing.assert_array_equal(from_csv["call"], from_parquet["call"])
    np.testing.assert_allclose(from_csv["probability"], from_parquet["probability"], atol=1e-6)


def test_results_are_replaced_as_a_whole(season: Path, assessor: Assessor, tmp_path: Path) -> None:
    out = tmp_path / "results"
    classified(season, out, assessor=assessor, table_format="csv")
    classified(season, out, assessor=assessor)
    assert {path.suffix for path in out.iterdir() if path.stem in TABLES} == {".parquet"}
    assert [path.name for path in tmp_path.iterdir()] == ["results"]


def test_a_run_that_fails_leaves_the_old_results(season: Path, assessor: Assessor, tmp_path: Path) -> None:
    out = tmp_path / "results"
    classified(season, out, assessor=assessor)
    before = content(out)

    def fails(last: int, done: Progress) -> None:
        if done.n_done >= last:
            raise RuntimeError("in the middle")

    for last in (20, 63):
        with pytest.raises(RuntimeError, match="in the middle"):
            classified(season, out, assessor=assessor, progress=partial(fails, last))
        assert content(out) == before
        assert {path.name for path in tmp_path.iterdir()} <= {"results", ".results.parts"}


def test_a_folder_that_is_not_ours_is_never_replaced(
    season: Path, assessor: Assessor, tmp_path: Path
) -> None:
    (tmp_path / "thesis.txt").write_text("three years of work")
    with pytest.raises(InputError, match="not-a-results-folder"):
        classified(season, tmp_path, assessor=assessor)
    assert [path.name for path in tmp_path.iterdir()] == ["thesis.txt"]


KILLED = """
import sys, time
from pathlib import Path
from faultml.recordings.read import open_season
from faultml.season import classify_season

def stop(done):
    print("one batch is done", flush=True)
    time.sleep(600)

classify_season(open_season([Path(sys.argv[1])], batch_size=20), sys.argv[2], progress=stop)
"""


def test_a_killed_run_does_no_harm_and_starts_again(
    season: Path, results: Path, assessor: Assessor, tmp_path: Path
) -> None:
    out = tmp_path / "results"
    classified(season, out, assessor=assessor, table_format="csv")
    before = content(out)
    with subprocess.Popen(
        [sys.executable, "-c", KILLED, str(season), str(out)], stdout=subprocess.PIPE, text=True
    ) as run:
        assert run.stdout is not None
        assert run.stdout.readline() == "one batch is done\n"
        run.send_signal(signal.SIGKILL)
    assert run.returncode == -signal.SIGKILL
    assert len(list(tmp_path.iterdir())) == 3, "the killed run's half-made folders lie beside the results"
    assert content(out) == before

    classified(season, out, assessor=assessor)
    assert [path.name for path in tmp_path.iterdir()] == ["results"]
    assert_same_tables(results, out)


class TestExitCodes:
    def run(self, *arguments: str | Path) -> int:
        done = CliRunner().invoke(main, ["classify", *map(str, arguments), "--quiet", "--no-report"])
        assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
        return done.exit_code

    def test_done_is_0(self, season: Path, tmp_path: Path) -> None:
        assert self.run(season, "--out", tmp_path / "out") == 0
        assert (tmp_path / "out" / "problems.csv").read_text(encoding="utf-8").count("\n") == 1

    def test_nothing_assessed_is_1_and_still_leaves_tables(
        self, catalogue: Catalogue, tmp_path: Path
    ) -> None:
        recipe = Recipe(golfers=1, sessions=1, swings=12, seed=3, non_swing_share=1.0, rate_hz=100.0)
        drawn = draw_season(catalogue, recipe)
        write_season(drawn.batch, tmp_path / "waggles.parquet")
        assert self.run(tmp_path / "waggles.parquet", "--out", tmp_path / "out") == 1
        read = read_results(tmp_path / "out")
        assert len(read.swings) == 12 and not read.swings["assessed"].any()
        assert (read.swings["reason"] != "").all() and read.faults["probability"].isna().all()

    def test_wrong_use_is_2_and_leaves_nothing(self, season: Path, tmp_path: Path) -> None:
        out = tmp_path / "out"
        assert self.run(tmp_path / "no such season", "--out", out) == 2
        assert self.run(season) == 2
        assert self.run(season, "--out", out, "--on", "nowhere") == 2
        assert self.run(season, "--out", out, "--format", "xlsx") == 2
        assert self.run(season, "--out", out, "--model", tmp_path / "no model") == 2
        assert self.run(season, "--out", out, "--brand-new-option") == 2
        assert list(tmp_path.iterdir()) == []

    def test_done_with_problems_is_3(self, season: Path, tmp_path: Path) -> None:
        table = pd.read_parquet(season / "season.parquet")
        table.loc[4, "swing"] = ""
        (tmp_path / "season").mkdir()
        table.to_parquet(tmp_path / "season" / "season.parquet")
        assert self.run(tmp_path / "season", "--out", tmp_path / "out") == 3
        read = read_results(tmp_path / "out")
        assert len(read.swings) == len(table) and read.swings["reason"][4] == "missing-id"
        problems = pd.read_csv(tmp_path / "out" / "problems.csv", dtype=str)
        assert problems["code"].tolist() == ["missing-id"]
