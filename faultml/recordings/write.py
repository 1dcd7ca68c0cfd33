"""Write a season table: Parquet (one row a swing) or long CSV (one row a sample), whole or not at all."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Final, Literal

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv
import pyarrow.parquet as pq
from numpy.typing import NDArray

from faultml.channels import CHANNELS, ID_COLUMNS
from faultml.errors import InputError
from faultml.recordings.schema import (
    IMPACT_FROM_COLUMN,
    NUMBER_COLUMNS,
    SAMPLE_COLUMNS,
    SEASON_SCHEMA,
    SHOT_COLUMN,
    TEXT_COLUMNS,
    TIME_COLUMN,
)
from faultml.recordings.swings import SwingBatch

SeasonFormat = Literal["parquet", "csv"]

LONG_COLUMNS: Final = (
    *(*ID_COLUMNS, *SAMPLE_COLUMNS, *NUMBER_COLUMNS),
    *("hand", "club", SHOT_COLUMN, "context", IMPACT_FROM_COLUMN),
)


def write_season(
    batches: SwingBatch | Iterable[SwingBatch], path: Path, *, format: SeasonFormat | None = None
) -> None:
    """Write batches as one file; what stands at `path` is replaced once the new file is complete.

    Parameters
    ----------
    batches
        The swings. Times are written as float64 and angles as float32; both read back as the same numbers.
    path
        The file to write; its folder is made.
    format
        By default what the file's name says: CSV for ``.csv``, else Parquet.

    Raises
    ------
    InputError
        ``line-break-in-id`` where an id or word that goes into CSV holds a line's end.
    """
    batches = [batches] if isinstance(batches, SwingBatch) else batches
    as_csv = (format or ("csv" if path.suffix == ".csv" else "parquet")) == "csv"
    with _whole_file(path) as part:
        if as_csv:
            _write_csv(batches, part)
        else:
            _write_parquet(batches, part)


@contextmanager
def _whole_file(path: Path) -> Iterator[Path]:
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    os.close(handle)
    part = Path(name)
    try:
        yield part
        part.chmod(0o644)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def _write_parquet(batches: Iterable[SwingBatch], path: Path) -> None:
    with _parquet_writer(path) as writer:
        for batch in batches:
            writer.write_table(_season_table(batch))


def _parquet_writer(path: Path) -> pq.ParquetWriter:
    samples = [f"{name}.list.element" for name in SAMPLE_COLUMNS]
    words = [name for name in SEASON_SCHEMA.names if name not in (*SAMPLE_COLUMNS, *NUMBER_COLUMNS)]
    return pq.ParquetWriter(
        path, SEASON_SCHEMA, compression="zstd", use_dictionary=words, use_byte_stream_split=samples
    )


def join_seasons(paths: Sequence[Path], target: Path) -> None:
    """Put Parquet files of `write_season` together as one, in order; a single one is moved.

    Raises
    ------
    OSError
        Where one cannot be read or the target cannot be written.
    """
    if len(paths) == 1:
        paths[0].replace(target)
        return
    with _whole_file(target) as part, _parquet_writer(part) as writer:
        for path in paths:
            with pq.ParquetFile(path) as file:
                for group in range(file.num_row_groups):
                    writer.write_table(file.read_row_group(group))


def _season_table(batch: SwingBatch) -> pa.Table:
    filled = _filled(batch)
    times = pa.ListArray.from_arrays(_offsets(batch.n_samples), batch.t_s[filled])
    columns: dict[str, pa.Array] = {TIME_COLUMN: times}
    for channel, name in enumerate(CHANNELS):
        columns[name] = _lists(batch, channel, filled)
    for name in NUMBER_COLUMNS:
        columns[name] = pa.array(_numbers(batch, name), from_pandas=True)
    for name in TEXT_COLUMNS:
        words = _words(batch, name)
        columns[name] = pa.array(
            words if name in ID_COLUMNS else [word or None for word in words], pa.string()
        )
    columns[SHOT_COLUMN] = pa.array(
        [list(shot) or None for shot in batch.table[SHOT_COLUMN]], pa.list_(pa.string())
    )
    return pa.table({name: columns[name] for name in SEASON_SCHEMA.names}, schema=SEASON_SCHEMA)


def _lists(batch: SwingBatch, channel: int, filled: NDArray[np.bool_]) -> pa.Array:
    """A channel's samples in lists, null where it was not recorded."""
    values = batch.angles_deg[:, channel]
    recorded = ~np.isnan(values).all(axis=1) | (batch.n_samples == 0)
    flat = values[filled & recorded[:, None]].astype(np.float32)
    return pa.ListArray.from_arrays(
        _offsets(np.where(recorded, batch.n_samples, 0)), flat, mask=pa.array(~recorded)
    )


def _offsets(lengths: NDArray[np.int64]) -> pa.Array:
    return pa.array(np.concatenate([[0], np.cumsum(lengths)]).astype(np.int32))


def _write_csv(batches: Iterable[SwingBatch], path: Path) -> None:
    kinds = {name: pa.string() for name in LONG_COLUMNS}
    kinds |= {name: pa.float64() for name in (TIME_COLUMN, *NUMBER_COLUMNS)} | dict.fromkeys(
        CHANNELS, pa.float32()
    )
    schema = pa.schema(list(kinds.items()))
    with pacsv.CSVWriter(path, schema, write_options=pacsv.WriteOptions(quoting_style="needed")) as writer:
        for batch in batches:
            writer.write_table(_long_table(batch, schema))


def _long_table(batch: SwingBatch, schema: pa.Schema) -> pa.Table:
    filled = _filled(batch)
    spelt = {name: _words(batch, name) for name in TEXT_COLUMNS}
    spelt[SHOT_COLUMN] = [" ".join(shot) for shot in batch.table[SHOT_COLUMN]]
    columns: dict[str, object] = {TIME_COLUMN: batch.t_s[filled]}
    for channel, name in enumerate(CHANNELS):
        columns[name] = pa.array(batch.angles_deg[:, channel][filled].astype(np.float32), from_pandas=True)
    for name, own in spelt.items():
        words = np.array(own, dtype=object)
        broken = [word for word in words if "\n" in word or "\r" in word]
        if broken:
            raise InputError(
                "line-break-in-id", where=name, expected="text without line ends", found=repr(broken[0])
            )
        columns[name] = pa.array(np.repeat(words, batch.n_samples), pa.string())
    for name in NUMBER_COLUMNS:
        columns[name] = pa.array(np.repeat(_numbers(batch, name), batch.n_samples), from_pandas=True)
    return pa.table({name: columns[name] for name in LONG_COLUMNS}, schema=schema)


def _numbers(batch: SwingBatch, name: str) -> NDArray[np.float64]:
    """What each swing has once, ``(n_swings,)``, NaN where it is not stated."""
    if name not in batch.table:
        return np.full(len(batch), np.nan)
    return batch.table[name].to_numpy(dtype=float)


def _words(batch: SwingBatch, name: str) -> list[str]:
    """A word of each swing, "" where it is not stated."""
    return [str(word) for word in batch.table[name]] if name in batch.table else [""] * len(batch)


def _filled(batch: SwingBatch) -> NDArray[np.bool_]:
    return np.arange(batch.t_s.shape[1]) < batch.n_samples[:, None]
