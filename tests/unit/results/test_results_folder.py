"""The results folder: whole or not at all, never another's, the same as Parquet and as CSV."""

from __future__ import annotations

import csv
import json
import os
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from faultml.errors import InputError
from faultml.recordings import files
from faultml.recordings.problems import Problem, problems_frame
from faultml.report.offline import write_page
from faultml.results import FAULTS, PROBLEMS, RUN_FILE, SWINGS, ResultsWriter, folders, read_results
from faultml.results.pages import page_name
from faultml.results.tables import Kind

FORMATS = ("parquet", "csv")
HOSTILE = (
    "=1+1",
    "+1",
    "-1",
    "@x",
    "\tx",
    "\rx",
    "\nx",
    "'=1",
    "''=1",
    "'x",
    "007",
    "NA",
    "null",
    "1e5",
    'a,"b"',
    "",
    "ü",
    "a\nb",
)


def frame_of(schema: dict[str, Kind], n_rows: int, text: str = "x") -> pd.DataFrame:
    """A frame with something of each column's kind."""
    values = {
        "text": text,
        "number": -0.1,
        "whole": -3,
        "flag": True,
        "words": ("gap-filled", "clipping"),
        "numbers": [0.1, -2.5],
    }
    return pd.DataFrame({name: pd.Series([values[kind]] * n_rows) for name, kind in schema.items()})


def write(out: Path, format: str = "parquet", n_batches: int = 2) -> None:
    with ResultsWriter(out, format=format) as results:
        for at in range(n_batches):
            results.append("swings", frame_of(SWINGS, 3, text=f"b{at}"))
            results.append("faults", frame_of(FAULTS, 51))
        results.write("players", pd.DataFrame({"player": ["p1", "p2"], "rate": [0.25, np.nan], "n": [3, 4]}))
        results.run["model"] = "m1"


def leftovers(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir() if path.name.startswith("."))


@pytest.mark.parametrize("format", FORMATS)
def test_batches_read_back_in_order(format: str, tmp_path: Path) -> None:
    write(tmp_path / "deep" / "results", format)
    results = read_results(tmp_path / "deep" / "results")
    expected = pd.concat([frame_of(SWINGS, 3, text=f"b{at}") for at in range(2)], ignore_index=True)
    pd.testing.assert_frame_equal(results.swings, expected)
    pd.testing.assert_frame_equal(results.faults, frame_of(FAULTS, 102))
    assert results.players.to_dict("list")["player"] == ["p1", "p2"] and np.isnan(results.players["rate"][1])
    assert results.frame("swings", ["swing", "tempo"]).columns.tolist() == ["swing", "tempo"]
    assert results.problems.empty and list(results.problems.columns) == list(PROBLEMS)
    assert results.run["model"] == "m1" and results.run["tables"]["faults"]["rows"] == 102
    names = {path.name for path in results.folder.iterdir()}
    assert (
        names
        == set(results.run["files"])
        == {f"swings.{format}", f"faults.{format}", f"players.{format}", "problems.csv", RUN_FILE}
    )
    assert leftovers(tmp_path / "deep") == []


@pytest.mark.parametrize("format", FORMATS)
def test_odd_values_read_back_the_same(format: str, tmp_path: Path) -> None:
    n_rows = len(HOSTILE)
    odd = pd.DataFrame(
        {
            "text": pd.Series(HOSTILE),
            "number": np.linspace(-1e-300, 1e300, n_rows),
            "flag": [at % 2 == 0 for at in range(n_rows)],
            "words": [("=1",), (), ("a sentence, with a comma", "-x"), *[("x",)] * (n_rows - 3)],
            "numbers": [np.array([0.1, np.nan]), None, *[np.array([1 / 3])] * (n_rows - 2)],
            "missing": pd.Series([None] * n_rows, dtype=object),
        }
    )
    with ResultsWriter(tmp_path / "r", format=format) as results:
        results.write("drills", odd)
    again = read_results(tmp_path / "r").drills
    pd.testing.assert_frame_equal(again[["number", "flag"]], odd[["number", "flag"]])
    assert again["text"].tolist() == list(HOSTILE) and again["words"].tolist() == odd["words"].tolist()
    assert again["missing"].tolist() == [""] * n_rows and again["numbers"][1] is None
    np.testing.assert_array_equal(again["numbers"][0], [0.1, np.nan])
    assert again["numbers"][2][0] == 1 / 3


def test_no_text_in_csv_begins_like_a_formula_and_numbers_stay_numbers(tmp_path: Path) -> None:
    with ResultsWriter(tmp_path / "r", format="csv") as results:
        for text in HOSTILE:
            results.append("swings", frame_of(SWINGS, 1, text))
        results.append("problems", problems_frame([Problem("=f", 0, *HOSTILE[:3], "code", "@e", "\tfound")]))
    for name in ("swings.csv", "problems.csv"):
        with (tmp_path / "r" / name).open(newline="") as stream:
            rows = list(csv.reader(stream))
        numbers = {
            at for at, column in enumerate(rows[0]) if {**SWINGS, **PROBLEMS}[column] in ("number", "whole")
        }
        for row in rows[1:]:
            for at, cell in enumerate(row):
                assert at in numbers or not cell or cell[0] not in "=+-@\t\r\n", cell
    assert {row[rows[0].index("row")] for row in rows[1:]} == {""}, "no row where the whole file is meant"
    assert read_results(tmp_path / "r").swings["tempo"].tolist() == [-0.1] * len(HOSTILE)


@pytest.mark.parametrize(
    ("spoil", "code"),
    [
        (lambda frame: frame.drop(columns="tempo"), "missing-column"),
        (lambda frame: frame.assign(extra=1), "unknown-column"),
        (lambda frame: frame.assign(tempo="fast"), "wrong-type"),
        (lambda frame: frame.assign(assessed="maybe"), "wrong-type"),
        (lambda frame: frame.assign(findings=7), "wrong-type"),
    ],
)
def test_a_frame_that_does_not_fit_is_refused_and_nothing_is_left(spoil, code: str, tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught, ResultsWriter(tmp_path / "r") as results:
        results.append("swings", spoil(frame_of(SWINGS, 2)))
    assert caught.value.code == code
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(os.name != "posix", reason="files have no such modes")
@pytest.mark.parametrize("format", FORMATS)
def test_nobody_but_the_owner_reads_what_was_written(format: str, tmp_path: Path) -> None:
    """Whatever the process's own mask says, and while it is being written."""
    mask = os.umask(0)
    try:
        with ResultsWriter(tmp_path / "r", format=format) as results:
            results.append("swings", frame_of(SWINGS, 3))
            results.file("pages").mkdir()
            (results.file("pages") / "p1.html").write_text("p1")
            growing = results.file("").stat().st_mode & 0o777
        write_page("p1", tmp_path / "r" / "report.html")
    finally:
        os.umask(mask)
    modes = {path.stat().st_mode & 0o777 for path in tmp_path.rglob("*") if path.is_file()}
    assert growing == 0o700 and modes == {0o600}
    assert {path.stat().st_mode & 0o777 for path in (tmp_path / "r", tmp_path / "r" / "pages")} == {0o700}


class TestReplacing:
    def test_the_old_set_goes_as_a_whole(self, tmp_path: Path) -> None:
        write(tmp_path / "r", "csv")
        (tmp_path / "r" / "report.html").write_text("old")
        write(tmp_path / "r", "parquet", n_batches=1)
        assert sorted(path.suffix for path in (tmp_path / "r").iterdir()) == [
            ".csv",
            ".json",
            ".parquet",
            ".parquet",
            ".parquet",
        ]
        assert len(read_results(tmp_path / "r").swings) == 3 and leftovers(tmp_path) == []

    def test_pages_go_with_their_set_also_where_they_were_not_finished(self, tmp_path: Path) -> None:
        write(tmp_path / "r")
        (tmp_path / "r" / "players").mkdir()
        (tmp_path / "r" / "players" / page_name("ann")).write_text("old")
        for name in (".players.new-0123abcd", ".players.old-0123abcd"):
            (tmp_path / "r" / name).mkdir()
        (tmp_path / "r" / ".report.html.part").write_text("half")
        write(tmp_path / "r", n_batches=1)
        assert len(read_results(tmp_path / "r").swings) == 3
        assert not [path.name for path in (tmp_path / "r").iterdir() if path.name.startswith(".")]
        assert not (tmp_path / "r" / "players").exists()

    @pytest.mark.parametrize("name", [".players.new-mine", ".notes.part", "players"])
    def test_what_only_looks_like_ours_is_kept(self, name: str, tmp_path: Path) -> None:
        write(tmp_path / "r")
        (tmp_path / "r" / name).mkdir()
        (tmp_path / "r" / name / "mine.txt").write_text("mine")
        with pytest.raises(InputError, match=r"not-a-(results|pages)-folder"):
            write(tmp_path / "r")
        assert (tmp_path / "r" / name / "mine.txt").exists()

    @pytest.mark.parametrize("error", [RuntimeError, KeyboardInterrupt, SystemExit])
    def test_an_error_leaves_the_old_set(self, error: type[BaseException], tmp_path: Path) -> None:
        write(tmp_path / "r")
        with pytest.raises(error), ResultsWriter(tmp_path / "r") as results:
            results.append("swings", frame_of(SWINGS, 1))
            raise error
        assert len(read_results(tmp_path / "r").swings) == 6 and leftovers(tmp_path) == []

    def test_the_old_set_stays_until_the_end(self, tmp_path: Path) -> None:
        write(tmp_path / "r")
        with ResultsWriter(tmp_path / "r") as results:
            results.append("swings", frame_of(SWINGS, 1))
            assert len(read_results(tmp_path / "r").swings) == 6
        assert len(read_results(tmp_path / "r").swings) == 1

    @pytest.mark.parametrize(
        "names", [["thesis.docx"], ["run.json"], ["swings.csv"], ["run.json", "photo.png"], ["deep"]]
    )
    def test_a_folder_of_somebody_is_never_touched(self, names: list[str], tmp_path: Path) -> None:
        for name in names:
            (tmp_path / "mine").mkdir(exist_ok=True)
            (tmp_path / "mine" / name).mkdir() if name == "deep" else (tmp_path / "mine" / name).write_text(
                "{}"
            )
        with pytest.raises(InputError, match="not-a-results-folder"):
            write(tmp_path / "mine")
        assert sorted(path.name for path in (tmp_path / "mine").iterdir()) == sorted(names)
        assert leftovers(tmp_path) == []

    def test_a_season_put_into_results_is_never_deleted(self, tmp_path: Path) -> None:
        write(tmp_path / "r")
        (tmp_path / "r" / "season.parquet").write_text("all summer")
        with pytest.raises(InputError, match=r"season\.parquet"):
            write(tmp_path / "r")
        assert (tmp_path / "r" / "season.parquet").read_text() == "all summer"

    def test_a_file_in_the_way(self, tmp_path: Path) -> None:
        (tmp_path / "r").write_text("x")
        with pytest.raises(InputError, match="not-a-results-folder"):
            write(tmp_path / "r")

    def test_a_parent_that_is_a_file(self, tmp_path: Path) -> None:
        (tmp_path / "r").write_text("x")
        with pytest.raises(InputError, match="not-writable"):
            write(tmp_path / "r" / "deep")

    def test_an_empty_folder_and_system_litter_may_be_replaced(self, tmp_path: Path) -> None:
        (tmp_path / "r").mkdir()
        (tmp_path / "r" / ".DS_Store").write_text("")
        write(tmp_path / "r")
        assert (tmp_path / "r" / RUN_FILE).is_file()

    def test_a_link_is_followed(self, tmp_path: Path) -> None:
        write(tmp_path / "r")
        (tmp_path / "link").symlink_to(tmp_path / "r")
        write(tmp_path / "link", n_batches=1)
        assert (tmp_path / "link").is_symlink() and len(read_results(tmp_path / "r").swings) == 3

    def test_names_with_pattern_letters(self, tmp_path: Path) -> None:
        (tmp_path / ".a.new-1").mkdir()
        for name in ("[a]", "*"):
            write(tmp_path / name)
            write(tmp_path / name)
            assert (tmp_path / name / RUN_FILE).is_file()
        assert leftovers(tmp_path) == [".a.new-1"], "not a leftover of either"


class TestKilled:
    def run_until(self, tmp_path: Path, stop: str) -> None:
        """Fill a folder in a process of its own and kill it at a point."""
        script = f"""
            import os, signal
            from pathlib import Path
            import pandas as pd
            from faultml.results import ResultsWriter, folders

            def die(*_, **__):
                os.kill(os.getpid(), signal.SIGKILL)

            renames = []
            rename = Path.rename
            def counted(path, target):
                if {stop!r} == f"rename {{len(renames)}}":
                    die()
                renames.append(path)
                return rename(path, target)
            Path.rename = counted
            with ResultsWriter(Path({str(tmp_path / "r")!r})) as results:
                results.write("players", pd.DataFrame({{"player": ["new"]}}))
                if {stop!r} == "writing":
                    die()
            if {stop!r} == "done":
                die()
        """
        done = subprocess.run([sys.executable, "-c", textwrap.dedent(script)], check=False)
        assert done.returncode == -signal.SIGKILL

    @pytest.mark.parametrize("stop", ["writing", "rename 0", "rename 1", "done"])
    def test_the_next_run_finds_a_whole_set_and_no_leftovers(self, stop: str, tmp_path: Path) -> None:
        write(tmp_path / "r")
        self.run_until(tmp_path, stop)
        with pytest.raises(RuntimeError), ResultsWriter(tmp_path / "r"):
            raise RuntimeError
        assert leftovers(tmp_path) == []
        assert read_results(tmp_path / "r").players["player"].tolist() == (
            ["new"] if stop == "done" else ["p1", "p2"]
        )

    def test_a_run_in_progress_is_left_alone(self, tmp_path: Path) -> None:
        with ResultsWriter(tmp_path / "r") as slow:
            slow.write("players", pd.DataFrame({"player": ["slow"]}))
            time.sleep(0.01)
            write(tmp_path / "r")
            assert len(read_results(tmp_path / "r").swings) == 6
        assert read_results(tmp_path / "r").players["player"].tolist() == ["slow"]
        assert leftovers(tmp_path) == []


class TestReading:
    def test_no_folder_and_no_results(self, tmp_path: Path) -> None:
        for path, code in ((tmp_path / "none", "no-such-path"), (tmp_path, "not-a-results-folder")):
            with pytest.raises(InputError, match=code):
                read_results(path)

    @pytest.mark.parametrize(
        "content", ["", "[]", "{}", "\xff", '{"program": "faultml", "tables": [], "files": []}']
    )
    def test_a_run_file_that_is_none(self, content: str, tmp_path: Path) -> None:
        (tmp_path / RUN_FILE).write_bytes(content.encode("latin-1"))
        with pytest.raises(InputError, match="not-a-results-folder"):
            read_results(tmp_path)

    def test_a_table_elsewhere_is_never_read(self, tmp_path: Path) -> None:
        write(tmp_path / "r")
        run = json.loads((tmp_path / "r" / RUN_FILE).read_text())
        run["tables"]["swings"]["file"] = "../secret.csv"
        (tmp_path / "r" / RUN_FILE).write_text(json.dumps(run))
        with pytest.raises(InputError, match="not-a-results-folder"):
            read_results(tmp_path / "r")

    @pytest.mark.parametrize("format", FORMATS)
    def test_missing_and_damaged_tables(self, format: str, tmp_path: Path) -> None:
        write(tmp_path / "r", format)
        with pytest.raises(InputError, match="missing-table"):
            _ = read_results(tmp_path / "r").drills
        (tmp_path / "r" / f"swings.{format}").write_bytes(os.urandom(500))
        with pytest.raises(InputError, match="damaged-results"):
            _ = read_results(tmp_path / "r").swings


def test_a_season_never_takes_a_results_folder_for_recordings() -> None:
    assert files.RESULTS_MARK == RUN_FILE
    assert folders.LOCK_FILE.startswith(".")
