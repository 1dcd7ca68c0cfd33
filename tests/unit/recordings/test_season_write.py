"""Written seasons read back as the same numbers."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from season_fakes import fake_season

from faultml.errors import InputError
from faultml.recordings.read import open_season, read_frame
from faultml.recordings.swings import SwingBatch
from faultml.recordings.write import write_season


def sample_season() -> SwingBatch:
    season = fake_season(4).assign(hand=["left", "right", None, "left"], club=["7 iron", "", None, 'a,"b"'])
    season["shot"] = [["push", "hook"], [], None, ["fat"]]
    season["context"] = ["retest", None, "practice", "play"]
    season["impact_s"] = [1.36, np.nan, 1.3612345678901234, None]
    season["t_s"] = season["t_s"] + 0.1 + 1e-13
    season.loc[1, "pronation_deg"] = None
    return read_frame(season)[0]


def assert_same(batch: SwingBatch, other: SwingBatch) -> None:
    where = ["file", "row"]
    pd.testing.assert_frame_equal(batch.table.drop(columns=where), other.table.drop(columns=where))
    np.testing.assert_array_equal(batch.t_s, other.t_s)
    np.testing.assert_array_equal(batch.angles_deg, other.angles_deg)
    np.testing.assert_array_equal(batch.n_samples, other.n_samples)


@pytest.mark.parametrize("name", ["a.csv", "a.parquet"])
def test_round_trip_is_exact(name: str, tmp_path: Path) -> None:
    batch = sample_season()
    write_season(batch, tmp_path / "deep" / name)
    opened = open_season([tmp_path / "deep"])
    (again,) = opened.batches()
    assert_same(batch, again)
    assert opened.problems == []
    write_season(again, tmp_path / name)
    assert (tmp_path / name).read_bytes() == (tmp_path / "deep" / name).read_bytes()


def test_format_may_be_said(tmp_path: Path) -> None:
    write_season(iter([sample_season()]), tmp_path / "a.data", format="csv")
    assert (tmp_path / "a.data").read_text().startswith('"player","session","swing","t_s"')


def test_samples_are_stored_without_a_dictionary(tmp_path: Path) -> None:
    write_season(sample_season(), tmp_path / "a.parquet")
    group = pq.ParquetFile(tmp_path / "a.parquet").metadata.row_group(0)
    encodings = {
        group.column(at).path_in_schema: group.column(at).encodings for at in range(group.num_columns)
    }
    for name in ("t_s", "flexion_deg", "ulnar_deg", "pronation_deg"):
        assert "BYTE_STREAM_SPLIT" in encodings[f"{name}.list.element"]
        assert not any("DICTIONARY" in encoding for encoding in encodings[f"{name}.list.element"])


def test_nothing_is_left_of_a_file_that_could_not_be_finished(tmp_path: Path) -> None:
    write_season(sample_season(), tmp_path / "a.csv")
    before = (tmp_path / "a.csv").read_bytes()
    bad = sample_season()
    bad.table.loc[0, "player"] = "a\nb"
    with pytest.raises(InputError, match="line-break-in-id"):
        write_season([sample_season(), bad], tmp_path / "a.csv")
    assert [path.name for path in tmp_path.iterdir()] == ["a.csv"]
    assert (tmp_path / "a.csv").read_bytes() == before


def test_a_stated_mounting_doubt_comes_back_and_is_not_needed(tmp_path: Path) -> None:
    season = fake_season(4)
    season["mounting_sd_deg"] = [3.5, np.nan, 0.0, -4.0]
    batch, problems = read_frame(season)
    assert batch.table["mounting_sd_deg"].fillna(-1).tolist() == [3.5, -1, 0.0, -1]
    assert [row.code for row in problems] == ["mounting-unreadable"]
    for name in ("season.parquet", "season.csv"):
        write_season(batch, tmp_path / name)
        (again,) = open_season([tmp_path / name]).batches()
        assert again.table["mounting_sd_deg"].fillna(-1).tolist() == [3.5, -1, 0.0, -1]
    (plain,) = [read_frame(fake_season(2))[0]]
    assert plain.table["mounting_sd_deg"].isna().all()
