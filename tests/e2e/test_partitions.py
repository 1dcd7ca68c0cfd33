"""The same results however a season is cut, killed, or spread over processes and machines."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pandas as pd
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner

from faultml.classifier.assess import Assessor
from faultml.cli import main
from faultml.errors import InputError, WorkerError
from faultml.faults.catalogue import Catalogue
from faultml.recordings.fragments import Fragment, Piece
from faultml.recordings.write import write_season
from faultml.results import Results, read_results
from faultml.season import answering, batch, classify_season, runners
from faultml.season.inputs import INPUTS_FILE
from faultml.season.merge import bucket_names
from faultml.season.workplace import parts_folder
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import draw_season

TABLES = ("swings", "faults", "players", "drills", "retests", "curves", "sums_faults", "sums_closures")
N_SWINGS = 48


@pytest.fixture(scope="module")
def season(catalogue: Catalogue, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Players whose swings stand in turn, so that each is in every partition."""
    drawn = draw_season(catalogue, Recipe(golfers=3, sessions=2, swings=8, seed=21, rate_hz=100.0))
    folder = tmp_path_factory.mktemp("season")
    write_season(drawn.batch, folder / "all.parquet")
    table = pd.read_parquet(folder / "all.parquet").sort_values(["swing", "session", "player"], kind="stable")
    table.to_parquet(folder / "all.parquet", index=False)
    return folder


@pytest.fixture(scope="module")
def whole(season: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The results of one partition, assessed here."""
    out = tmp_path_factory.mktemp("whole") / "results"
    classify_season(season, out, on="here")
    return out


def assert_same(one: Path, other: Path, *, ordered: bool = True) -> None:
    first, second = read_results(one), read_results(other)
    for name in TABLES:
        left, right = first.frame(name), second.frame(name)
        if not ordered and name in ("swings", "faults"):
            ids = [key for key in ("player", "session", "swing", "fault") if key in left]
            left, right = (each.sort_values(ids, ignore_index=True) for each in (left, right))
        pd.testing.assert_frame_equal(left, right, check_exact=True)
    assert (one / "explanations.json").read_bytes() == (other / "explanations.json").read_bytes()


def test_row_groups_and_partitions_do_not_show(season: Path, whole: Path, tmp_path: Path) -> None:
    table = pq.read_table(season / "all.parquet")
    (tmp_path / "season").mkdir()
    pq.write_table(table.slice(0, 20), tmp_path / "season" / "a.parquet", row_group_size=3)
    pq.write_table(table.slice(20), tmp_path / "season" / "b.parquet", row_group_size=100)
    classify_season(tmp_path / "season", tmp_path / "out", on="here", partition_swings=5)
    assert len(list((tmp_path / "out" / "swings.parquet").iterdir())) > 8
    assert_same(whole, tmp_path / "out")


def test_the_order_of_the_swings_does_not_show(season: Path, whole: Path, tmp_path: Path) -> None:
    table = pd.read_parquet(season / "all.parquet").sample(frac=1, random_state=4)
    table.to_parquet(tmp_path / "turned.parquet", index=False)
    classify_season(tmp_path / "turned.parquet", tmp_path / "out", on="local:2", partition_swings=11)
    assert_same(whole, tmp_path / "out", ordered=False)


def test_buckets_of_players_do_not_show(
    season: Path, whole: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert bucket_names({"b": 3, "a": 2, "c": 4}, 5) == ("c",)
    assert bucket_names({"b": 9, "a": 9, "c": 1}, 5) == ("b", "c")
    assert bucket_names({}, 5) == ()
    monkeypatch.setattr("faultml.season.run.bucket_names", lambda players: bucket_names(players, 1))
    classify_season(season, tmp_path / "out", on="here", partition_swings=9)
    assert_same(whole, tmp_path / "out")


KILLED = """
import sys
from faultml.season import classify_season
def tell(done):
    print(done.n_done, flush=True)
classify_season(sys.argv[1], sys.argv[2], on=sys.argv[3], partition_swings=7, progress=tell)
print("done", flush=True)
"""


@pytest.mark.parametrize(("on", "seed"), [("here", 1), ("local:2", 2), ("here", 3)])
def test_a_killed_run_goes_on_where_it_was(
    season: Path, whole: Path, tmp_path: Path, on: str, seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "results"
    partitions = random.Random(seed).randrange(1, 5)
    with subprocess.Popen(
        [sys.executable, "-c", KILLED, str(season), str(out), on], stdout=subprocess.PIPE, text=True
    ) as run:
        assert run.stdout is not None
        for _ in range(partitions):
            run.stdout.readline()
        run.send_signal(signal.SIGKILL)
    assert not out.exists()
    kept = [folder for folder in parts_folder(out).iterdir() if (folder / "part.json").is_file()]
    assert kept

    if on == "here":
        damaged = next(iter(kept[0].glob("faults.*")))
        damaged.write_bytes(damaged.read_bytes()[:-1] + b"?")
    made = []
    assess = batch.assess_batch
    monkeypatch.setattr(
        "faultml.season.partition.assess_batch", lambda *each: made.append(1) or assess(*each)
    )
    classify_season(season, out, on="here", partition_swings=7)
    # A process that has outlived its run may have finished its partition meanwhile.
    needed = 7 - len(kept) + (on == "here")
    assert len(made) == needed if on == "here" else len(made) <= needed, (
        "parts whose hashes hold are not made again"
    )
    assert_same(whole, out)
    assert [path.name for path in tmp_path.iterdir()] == ["results"]


def test_a_partition_that_fails_three_times_is_a_problem(
    season: Path, whole: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tries = []
    assess = batch.assess_batch

    def fails(assessor: object, coaching: object, swings: object) -> object:
        if "001" in set(swings.table["swing"]) and swings.n_samples.any():  # type: ignore[attr-defined]
            tries.append(1)
            raise ZeroDivisionError("p001 stands in the message")
        return assess(assessor, coaching, swings)  # type: ignore[arg-type]

    monkeypatch.setattr("faultml.season.partition.assess_batch", fails)
    run = classify_season(season, tmp_path / "out", on="here", partition_swings=12)
    assert (len(tries), run.n_swings, run.exit_code) == (runners.MAX_ATTEMPTS, N_SWINGS, 3)
    assert run.run["counts"] | {"swings": N_SWINGS, "lost": 12} == run.run["counts"]
    (row,) = run.results.problems.query("code == 'partition-lost'").to_dict("records")
    assert row["row"] == 1 and row["found"] == "12 swings: ZeroDivisionError (this process)"
    assert_lost(run.results, whole, 0, 12)


def assert_lost(results: Results, whole: Path, start: int, stop: int) -> None:
    """Every swing has its row in the order of the season; some are not assessed, the others are as they were."""
    ids = ["player", "session", "swing"]
    lost = slice(start, stop)
    for name in ("swings", "faults"):
        own, other = results.frame(name), read_results(whole).frame(name)
        pd.testing.assert_frame_equal(own[ids], other[ids])
        rows = lost if name == "swings" else slice(start * len(own) // N_SWINGS, stop * len(own) // N_SWINGS)
        assert set(own["reason"][rows]) == {"partition-lost"}
        kept = own.drop(index=own.index[rows])
        pd.testing.assert_frame_equal(kept, other.drop(index=other.index[rows]))
        shown = own.iloc[rows]
        assert not shown["assessed" if name == "swings" else "flagged"].any()
        numbers = shown.select_dtypes("number").drop(columns="edge", errors="ignore")
        assert numbers.isna().all(axis=None)
    assert results.frame("sums_sessions")["n_swings"].sum() == N_SWINGS


CRASHES = """#!{python}
import os, signal, sys
from pathlib import Path
import msgspec
from faultml.recordings.fragments import Fragment
from faultml.season.answering import load_answering
answering = load_answering(Path(sys.argv[-1]))
while line := sys.stdin.buffer.readline():
    fragment = msgspec.json.decode(line, type=Fragment)
    if fragment.pieces[0].start == 12:
        print("out of luck", file=sys.stderr, flush=True)
        os.kill(os.getpid(), signal.SIGKILL)
    sys.stdout.buffer.write(msgspec.json.encode(answering.answer(fragment)) + b"\\n")
    sys.stdout.buffer.flush()
"""


def test_a_partition_that_ends_its_process_is_lost_and_the_others_are_not(
    season: Path, whole: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    crasher = tmp_path / "crasher"
    crasher.write_text(CRASHES.format(python=sys.executable))
    crasher.chmod(0o755)
    monkeypatch.setattr(runners.sys, "executable", str(crasher))
    run = classify_season(season, tmp_path / "out", on="local:2", partition_swings=12)
    assert (run.n_swings, run.n_lost, run.exit_code) == (N_SWINGS, 12, 3)
    assert_lost(run.results, whole, 12, 24)
    (found,) = run.results.problems.query("code == 'partition-lost'")["found"]
    assert found.startswith("12 swings: its process ended (signal 9): out of luck (process ")


def test_a_process_with_other_code_is_refused(season: Path, tmp_path: Path) -> None:
    with pytest.raises(RuntimeError, match="stop"):
        classify_season(season, tmp_path / "out", on="here", partition_swings=12, progress=_stop)
    folder = parts_folder(tmp_path / "out")
    content = json.loads((folder / INPUTS_FILE).read_bytes())
    content["versions"]["code"] = "0" * 64
    (folder / INPUTS_FILE).write_bytes(msgspec.json.encode(content))
    with pytest.raises(WorkerError, match=r"other-versions: expected code 000000000000\.\.\."):
        answering.load_answering(folder)


def _stop(done: object) -> None:
    if done.n_done >= 24:  # type: ignore[attr-defined]
        raise RuntimeError("stop")


@pytest.mark.parametrize(
    ("on", "code"),
    [
        ("tcp://10.0.0.1:8786", "not-secure"),
        ("http://127.0.0.1:8786", "not-secure"),
        ("local:0", "bad-place"),
        ("tcp://127.0.0.1:9", "no-scheduler"),
    ],
)
def test_a_place_that_is_none_is_wrong_use(
    season: Path, tmp_path: Path, on: str, code: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("faultml.season.cluster._CONNECT_S", 1)
    done = CliRunner().invoke(main, ["classify", str(season), "--out", str(tmp_path / "out"), "--on", on])
    assert done.exit_code == 2 and code in done.stderr, done.stderr
    assert list(tmp_path.iterdir()) == []


def test_an_empty_list_and_a_model_in_memory_say_so(season: Path, tmp_path: Path, assessor: Assessor) -> None:
    with pytest.raises(InputError, match="no-paths: expected at least one file or folder"):
        classify_season([], tmp_path / "out")
    with pytest.raises(InputError, match="model-in-memory"):
        classify_season(season, tmp_path / "out", assessor=assessor, on="local:2")


@pytest.fixture(scope="module")
def cluster() -> Iterator[object]:
    """Two worker processes of Dask on this machine."""
    import distributed

    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address=None
    ) as cluster:
        yield cluster


class TestCluster:
    def test_a_worker_that_is_lost_half_way_does_not_show(
        self, cluster: object, season: Path, whole: Path, tmp_path: Path
    ) -> None:
        killed = []

        def kill_one(done: object) -> None:
            if done.n_done and not killed:  # type: ignore[attr-defined]
                killed.append(next(iter(cluster.workers.values())).pid)  # type: ignore[attr-defined]
                os.kill(killed[0], signal.SIGKILL)

        classify_season(
            season,
            tmp_path / "out",
            on=cluster.scheduler_address,  # type: ignore[attr-defined]
            partition_swings=5,
            progress=kill_one,
        )
        assert killed
        assert_same(whole, tmp_path / "out")

    def test_a_worker_that_does_not_see_the_files_is_named(self, cluster: object, tmp_path: Path) -> None:
        from distributed import Client

        from faultml.season.cluster import _check_workers

        away = Fragment((Piece(str(tmp_path / "away.parquet"), "parquet", 0, 9, 0, 9),))
        with Client(cluster.scheduler_address) as client:  # type: ignore[attr-defined]
            for fragments, why in (([away], "it does not see the season under"), ([], "bad-inputs")):
                with pytest.raises(
                    WorkerError, match=rf"tcp://127\.0\.0\.1:\d+: worker-refused: found .*{why}"
                ):
                    _check_workers(client, fragments, tmp_path)
