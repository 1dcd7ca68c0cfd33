"""Times of every kind, and where one swing ends and the next begins."""

from __future__ import annotations

from pathlib import Path

import msgspec
import numpy as np
import pytest
from importing_one import SEASON, read, text
from recorder_files import layout_of, recorder_table, text_bytes, write_recorder
from season_fakes import fake_season, fake_times

from faultml.importing.layout import (
    Contact,
    FromColumn,
    Ids,
    Swings,
    TimeLayout,
)

replace = msgspec.structs.replace


def test_epoch_times_are_distinguished_from_midnight_without_rounding(tmp_path: Path) -> None:
    first = 1_790_000_123_456_789_012
    layout = layout_of(time_unit="ns")
    table = recorder_table(SEASON.iloc[:1], layout)
    steps = np.round(np.asarray(SEASON["t_s"][0]) * 1e9).astype(np.int64)
    table["Clock"] = [str(first + step) for step in steps]
    got = read(text_bytes(table, layout), layout, tmp_path)
    t_s = got.season["t_s"][0]
    assert 0 <= t_s[0] < 86_400
    np.testing.assert_allclose(t_s - t_s[0], steps / 1e9, atol=2e-11)


@pytest.mark.parametrize("column", [None, "Count"])
def test_a_count_with_a_rate(column: str | None, tmp_path: Path) -> None:
    layout = layout_of()
    table = recorder_table(SEASON.iloc[:1], layout).rename(columns={"Clock": "Count"})
    table["Count"] = range(len(table))
    layout = replace(layout, time=TimeLayout("samples", column, rate_hz=60.0))
    got = read(text_bytes(table, layout_of()), layout, tmp_path)
    np.testing.assert_allclose(got.season["t_s"][0], fake_times(60.0), atol=1e-12)


def test_a_format_of_stamps(tmp_path: Path) -> None:
    layout = layout_of(time_unit="datetime")
    table = recorder_table(SEASON.iloc[:1], layout)
    table["Clock"] = table["Clock"].map(lambda stamp: stamp.strftime("%d.%m.%Y %H:%M:%S.%f"))
    layout = replace(
        layout,
        time=TimeLayout("datetime", "Clock", format="%d.%m.%Y %H:%M:%S.%f"),
        ids=replace(layout.ids, session=FromColumn("Clock", format="%d.%m.%Y %H:%M:%S.%f")),
        swings=Swings("file"),
    )
    got = read(text_bytes(table, layout), layout, tmp_path)
    assert got.season["session"][0] == "2026-05-01"
    np.testing.assert_allclose(got.season["t_s"][0], fake_times(60.0), atol=1e-6)


def test_the_clock_tells_swings_apart(tmp_path: Path) -> None:
    season = fake_season(4, rate_hz=60.0)
    season["t_s"] = [t_s + start for t_s, start in zip(season["t_s"], (0, 0, 10, 20), strict=True)]
    layout = replace(layout_of(), ids=Ids("ann", "day"), swings=Swings("clock", 1.0))
    got = read(text_bytes(recorder_table(season, layout_of()), layout), layout, tmp_path)
    assert got.season["swing"].tolist() == ["001", "002", "003", "004"]
    np.testing.assert_array_equal(got.season["t_s"][2], season["t_s"][2])


def test_without_a_gap_only_a_clock_that_falls_back_does(tmp_path: Path) -> None:
    season = fake_season(3, rate_hz=60.0)
    season["t_s"] = [t_s + start for t_s, start in zip(season["t_s"], (0, 10, 0), strict=True)]
    layout = replace(layout_of(), ids=Ids("ann", "day"), swings=Swings("clock"))
    got = read(text_bytes(recorder_table(season, layout_of()), layout), layout, tmp_path)
    assert got.run.n_swings == 2


def test_a_file_that_is_one_swing_and_names_two(tmp_path: Path) -> None:
    layout = replace(layout_of(), swings=Swings("file"))
    got = read(text(layout).encode(), layout, tmp_path)
    assert [problem.code for problem in got.run.unread] == ["ids-change"]


def test_ids_from_names_of_files_and_folders(tmp_path: Path) -> None:
    layout = layout_of()
    layout = replace(layout, ids=Ids(pattern="{player}/{session}_{swing}.csv"), swings=Swings("file"))
    content = text_bytes(recorder_table(SEASON.iloc[:1], layout_of()), layout)
    got = read(content, layout, tmp_path, "ann/2026-05-02_7.csv")
    assert got.season.loc[0, ["player", "session", "swing"]].tolist() == ["ann", "2026-05-02", "7"]
    got = read(content, layout, tmp_path, "ann/other.csv")
    assert [problem.code for problem in got.run.unread] == ["name-differs"]


@pytest.mark.parametrize("rows", [1, 7, 45, 10_000])
def test_blocks_of_any_size_give_the_same_season(
    rows: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("faultml.importing.parquet_file.MAX_BLOCK_ROWS", rows)
    layout = replace(layout_of("parquet"), contact=Contact(event_column="Hit"))
    table = recorder_table(SEASON, layout_of())
    table["Hit"] = [0] * 60 + [1] * 3 + [0] * (len(table) - 63)
    path = write_recorder(table, tmp_path / "a.parquet", layout)
    got = read(path, layout, tmp_path)
    assert got.season["impact_s"].dropna().tolist() == [1.0]
    np.testing.assert_array_equal(
        np.concatenate(got.season["flexion_deg"]), np.concatenate(SEASON["flexion_deg"])
    )
