"""What a reader takes in memory is bounded by the file, and for text and Parquet not even by that."""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import msgspec
import pandas as pd
import pyarrow as pa
import pytest
from recorder_files import layout_of, write_recorder

from faultml.importing.layout import Contact, Ids, Layout, Swings
from faultml.importing.readers import MEMORY_BASE_BYTES, MEMORY_RATIO, read_blocks
from faultml.importing.recording import read_recordings
from faultml.importing.rows import RowReader


def session(layout: Layout, folder: Path, n_rows: int) -> Path:
    """A long recording at 200 Hz."""
    t_s = pd.Series(range(n_rows)) / 200
    table = pd.DataFrame({"Clock": t_s, "Bend": t_s % 7, "Tilt": t_s % 5, "Twist": t_s % 3})
    suffix = "xlsx" if layout.file.reader == "spreadsheet" else "dat"
    return write_recorder(table, folder / f"{n_rows}.{suffix}", layout)


def peak_bytes(path: Path, layout: Layout) -> int:
    """Python's and Arrow's memory at its highest while a file streams through as one recording."""
    pool = pa.default_memory_pool()
    arrow, before = 0, pool.bytes_allocated()
    tracemalloc.start()
    n_samples = 0
    for recording in read_recordings(RowReader(path, layout), lambda problem: None):
        for block in recording.blocks:
            n_samples += len(block.t_s)
            arrow = max(arrow, pool.bytes_allocated() - before)
    peak = tracemalloc.get_traced_memory()[1] + arrow
    tracemalloc.stop()
    assert n_samples == int(path.stem)
    return peak


@pytest.mark.parametrize("reader", ["text", "motion", "parquet"])
def test_a_long_recording_streams_in_flat_memory(reader: str, tmp_path: Path) -> None:
    layout = msgspec.structs.replace(layout_of(reader), ids=Ids("ann", "day"), swings=Swings("stream"))
    short, long = (peak_bytes(session(layout, tmp_path, rows), layout) for rows in (150_000, 600_000))
    assert long < 1.2 * short + 1_000_000
    assert long < MEMORY_BASE_BYTES


def test_a_spreadsheet_stays_within_its_multiple(tmp_path: Path) -> None:
    layout = layout_of("spreadsheet")
    words = pd.DataFrame({"Word": [f"{at} " + "x" * 50 for at in range(20_000)]})
    path = write_recorder(words, tmp_path / "a.xlsx", layout)
    tracemalloc.start()
    assert sum(len(block.lines) for block in read_blocks(path, layout.file)) == 20_000
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < MEMORY_BASE_BYTES + MEMORY_RATIO * path.stat().st_size


@pytest.mark.parametrize("rows", [1, 50, 1000])
def test_a_contact_is_marked_once_and_in_its_own_block(
    rows: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("faultml.importing.parquet_file.MAX_BLOCK_ROWS", rows)
    layout = msgspec.structs.replace(
        layout_of("parquet"),
        ids=Ids("ann", "day"),
        swings=Swings("stream"),
        contact=Contact(time_column="Hit"),
    )
    table = pd.DataFrame({"Clock": [at / 100 for at in range(400)], "Bend": 0.0, "Tilt": 0.0, "Twist": 0.0})
    table["Hit"] = [1.5] * 200 + [3.25] + [None] * 199  # repeated around its time, and stated well before
    path = write_recorder(table, tmp_path / "a.parquet", layout)
    recording = next(read_recordings(RowReader(path, layout), lambda problem: None))
    marks = [(mark, block.t_s) for block in recording.blocks for mark in block.marks_s]
    assert [mark for mark, _ in marks] == [1.5, 3.25]
    assert all(t_s[0] - 0.01 < mark <= t_s[-1] for mark, t_s in marks)
