"""Many small files: the same season as one by one, in few batches, with progress."""

from __future__ import annotations

import shutil
from pathlib import Path

import pandas as pd
import pytest
from importing_one import SEASON
from msgspec.structs import replace
from recorder_files import layout_of, recorder_table

from faultml.importing import importer as importers
from faultml.importing import parts, swings
from faultml.importing.layout import Ids, Swings
from faultml.importing.pseudonyms import load_pseudonyms
from faultml.importing.season import import_season
from faultml.recordings.checks import check_swings

NAMED = replace(layout_of(), ids=Ids(pattern="{player}/{session}_{swing}.csv"), swings=Swings("file"))
COLUMNS = ["Clock", "Bend", "Tilt", "Twist"]


def many(folder: Path, count: int) -> Path:
    content = recorder_table(SEASON.iloc[:1], layout_of())[COLUMNS].to_csv(index=False)
    for at in range(count):
        path = folder / f"p{at % 3}" / f"2031-05-{at // 30 + 1:02d}_{at:03d}.csv"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("broken" if at % 25 == 24 else content)
    return folder


def test_files_are_checked_together(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    many(tmp_path / "files", 100)
    sizes, steps = [], []

    def checked(raw, *others):  # type: ignore[no-untyped-def]
        sizes.append(len(raw))
        return check_swings(raw, *others)

    monkeypatch.setattr(importers, "check_swings", checked)
    run = import_season(
        [tmp_path / "files"], NAMED, tmp_path / "s", on_file=lambda done, total: steps.append((done, total))
    )
    assert (run.n_swings, run.n_sound, len(run.unread)) == (96, 96, 4)
    assert sizes == [96]
    assert steps == [(at, 100) for at in range(1, 101)]


@pytest.mark.parametrize("batch", [1, 7])
def test_batches_of_any_size_give_the_same_swings(
    batch: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    many(tmp_path / "files", 40)
    import_season([tmp_path / "files"], NAMED, tmp_path / "whole")
    monkeypatch.setattr(swings, "BATCH_SWINGS", batch)
    import_season([tmp_path / "files"], NAMED, tmp_path / "parts")
    frames = [pd.read_parquet(tmp_path / name / "season.parquet") for name in ("whole", "parts")]
    pd.testing.assert_frame_equal(*frames)
    problems = [pd.read_csv(tmp_path / name / "_problems.csv") for name in ("whole", "parts")]
    pd.testing.assert_frame_equal(*(each.sort_values("file", ignore_index=True) for each in problems))


class Killed(BaseException):
    """What stops a process, and is caught by nobody."""


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def stop_after(count: int):  # type: ignore[no-untyped-def]
    def step(done: int, total: int) -> None:
        if done == count:
            raise Killed

    return step


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """The files that are opened; parts hold ten."""
    opened: list[Path] = []

    class Counted(importers.RowReader):
        def __post_init__(self) -> None:
            opened.append(self.path)
            super().__post_init__()

    monkeypatch.setattr(importers, "RowReader", Counted)
    monkeypatch.setattr(parts, "PART_FILES", 10)
    return opened


@pytest.mark.parametrize("packed", [False, True])
def test_a_killed_import_goes_on_where_it_was(packed: bool, tmp_path: Path, counted: list[Path]) -> None:
    folder = many(tmp_path / "files", 60)
    (folder / "p0" / "2031-05-01_000-copy.csv").write_bytes(
        (folder / "p0" / "2031-05-01_000.csv").read_bytes()
    )
    layout = replace(
        NAMED, ids=Ids("ann", "day"), swings=Swings("clock")
    )  # swings are counted from file to file
    if packed:
        folder = Path(shutil.make_archive(str(tmp_path / "files"), "zip", folder))
    import_season([folder], layout, tmp_path / "whole")
    counted.clear()
    with pytest.raises(Killed):
        import_season([folder], layout, tmp_path / "s", on_file=stop_after(37))
    assert len(counted) == 37 and not (tmp_path / "s").exists()
    counted.clear()
    steps: list[int] = []
    run = import_season([folder], layout, tmp_path / "s", on_file=lambda done, total: steps.append(done))
    assert len(counted) == 61 - 30 and steps[:3] == [10, 20, 30] and steps[-1] == 61
    assert contents(tmp_path / "s") == contents(tmp_path / "whole")
    assert (run.n_files, run.n_swings, len(run.unread)) == (61, 59, 2)
    assert sorted(path.name for path in tmp_path.iterdir() if path.name[0] == ".") == []


def test_repeated_ids_are_seen_over_parts_and_kills(tmp_path: Path, counted: list[Path]) -> None:
    folder = many(tmp_path / "files", 30)
    again = folder / "z" / "p0"
    again.mkdir(parents=True)
    (again / "2031-05-01_000.csv").write_bytes((folder / "p0" / "2031-05-01_000.csv").read_bytes())
    with pytest.raises(Killed):
        import_season([folder], NAMED, tmp_path / "s", on_file=stop_after(30))
    import_season([folder], NAMED, tmp_path / "s")
    assert pd.read_csv(tmp_path / "s" / "_problems.csv")["code"].tolist().count("repeated-id") == 1


@pytest.mark.parametrize("change", ["file", "layout", "part", "name"])
def test_what_has_changed_is_read_anew(change: str, tmp_path: Path, counted: list[Path]) -> None:
    folder = many(tmp_path / "files", 20)
    with pytest.raises(Killed):
        import_season([folder], NAMED, tmp_path / "s", on_file=stop_after(15))
    layout = NAMED
    first = folder / "p0" / "2031-05-01_000.csv"
    if change == "file":
        first.write_text(first.read_text().replace("-18.0", "-17.0"))
    elif change == "layout":
        layout = replace(NAMED, worn=replace(NAMED.worn, arm="lead"))
    elif change == "part":
        (tmp_path / ".s.importing" / "000000" / "part.json").write_text("{}")
    else:
        first.rename(first.with_name("2031-05-01_999.csv"))
    counted.clear()
    import_season([folder], layout, tmp_path / "s")
    assert len(counted) == 20
    import_season([folder], layout, tmp_path / "fresh")
    assert contents(tmp_path / "s") == contents(tmp_path / "fresh")


def test_pseudonyms_of_a_killed_import_are_kept(tmp_path: Path, counted: list[Path]) -> None:
    folder, table = many(tmp_path / "files", 20), tmp_path / "names.csv"
    with pytest.raises(Killed):
        import_season(
            [folder], NAMED, tmp_path / "s", pseudonyms=load_pseudonyms(table), on_file=stop_after(15)
        )
    import_season([folder], NAMED, tmp_path / "s", pseudonyms=load_pseudonyms(table))
    names = set(pd.read_parquet(tmp_path / "s" / "season.parquet")["player"])
    assert names == set(pd.read_csv(table)["pseudonym"]) and len(names) == 3
