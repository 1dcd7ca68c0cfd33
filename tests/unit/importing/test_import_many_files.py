"""Many small files: the same season as one by one, in few batches, with progress."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from importing_one import SEASON
from msgspec.structs import replace
from recorder_files import layout_of, recorder_table

from faultml.importing import season as seasons
from faultml.importing import swings
from faultml.importing.layout import Ids, Swings
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

    monkeypatch.setattr(seasons, "check_swings", checked)
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
