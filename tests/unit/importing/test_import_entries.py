"""One bad entry of a folder is a coded problem, and the others are read."""

from __future__ import annotations

import os
from pathlib import Path

import pandas as pd
import pytest
from importing_one import text
from recorder_files import layout_of

from faultml.importing.entries import find_recordings
from faultml.importing.season import import_season
from faultml.recordings.files import find_files
from faultml.recordings.read import open_season

BAD_NAME = os.fsdecode(b"sw\xffing.csv")


def bad_entries(folder: Path) -> None:
    """Beside one good file: links to themselves and to nothing, names that are not UTF-8."""
    folder.mkdir()
    (folder / "good.csv").write_text(text(layout_of()))
    (folder / "self.csv").symlink_to(folder / "self.csv")
    (folder / "nothing.csv").symlink_to(folder / "gone")
    (folder / BAD_NAME).write_text(text(layout_of()))
    (folder / os.fsdecode(b"deep\xfe")).mkdir()
    (folder / os.fsdecode(b"deep\xfe") / "a.csv").write_text(text(layout_of()))


def test_bad_entries_of_a_folder_are_problems(tmp_path: Path) -> None:
    bad_entries(tmp_path / "files")
    run = import_season([tmp_path / "files"], layout_of(), tmp_path / "season")
    assert (run.n_sound, run.exit_code) == (2, 3)
    reported = pd.read_csv(tmp_path / "season" / "_problems.csv")[["file", "code"]]
    found = {(Path(file).name, code) for file, code in reported.itertuples(index=False)}
    assert found == {
        ("self.csv", "unreadable"),
        ("nothing.csv", "unreadable"),
        ("sw\N{REPLACEMENT CHARACTER}ing.csv", "name-not-utf8"),
        ("deep\N{REPLACEMENT CHARACTER}", "name-not-utf8"),
    }


@pytest.mark.parametrize("name", ["self.csv", "nothing.csv", BAD_NAME])
def test_a_bad_entry_named_by_itself_is_a_problem(name: str, tmp_path: Path) -> None:
    bad_entries(tmp_path / "files")
    found = find_recordings([tmp_path / "files" / name])
    assert not found.paths and len(found.problems) == 1


def test_a_link_is_no_second_recording_and_a_hard_link_is_one(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("x")
    (tmp_path / "b.csv").symlink_to(tmp_path / "a.csv")
    assert [path.name for path in find_recordings([tmp_path]).paths] == ["a.csv"]
    (tmp_path / "c.csv").hardlink_to(tmp_path / "a.csv")
    assert [path.name for path in find_recordings([tmp_path]).paths] == ["a.csv", "c.csv"]


def test_a_season_folder_with_bad_entries_is_read(tmp_path: Path) -> None:
    """`classify` and `check` meet the same entries."""
    folder = tmp_path / "files"
    bad_entries(folder)
    (folder / "roster.csv").symlink_to(folder / "roster.csv")
    (folder / "ROSTER.csv").write_text("player\np1\n")
    found = find_files([folder])
    assert [path.name for path, _ in found.files] == ["good.csv"]
    codes = [problem.code for problem in found.problems]
    assert codes.count("unreadable") == 2 and codes.count("name-not-utf8") >= 1
    assert "another-roster" in codes
    for problem in found.problems:
        "".join(problem.file).encode("utf-8")
    for _ in open_season([folder]).batches():
        pass
