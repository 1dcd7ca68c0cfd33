"""Seasons as Parquet: one row a swing, samples in lists, read in record batches."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from numpy.typing import NDArray

from faultml.channels import CHANNELS, ID_COLUMNS
from faultml.errors import InputError
from faultml.recordings.columns import as_text, check_columns, is_list
from faultml.recordings.files import unpack_limit_bytes
from faultml.recordings.fragments import Piece
from faultml.recordings.problems import Problem, file_problem, shorten, swing_problem
from faultml.recordings.raw import RawSwings, raw_table, refused_swings
from faultml.recordings.schema import (
    KNOWN_COLUMNS,
    NUMBER_COLUMNS,
    SAMPLE_COLUMNS,
    SHOT_COLUMN,
    TEXT_COLUMNS,
    TIME_COLUMN,
)
from faultml.recordings.words import split_shot

_BATCH_ROWS: Final = 1000
_BATCH_SAMPLES: Final = 2_000_000
_BUFFER_BYTES: Final = 1 << 20
_READ_ERRORS: Final = (pa.ArrowException, OSError, ValueError, OverflowError, MemoryError)

Report = Callable[[Problem], None]


class ParquetSeason:
    """One Parquet file of a season.

    Raises
    ------
    InputError
        Where the file as a whole cannot be read: ``damaged-file``, ``missing-column``, ``doubled-column``,
        ``wrong-type``, ``no-rows``, ``unpacks-too-far``.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            with pq.ParquetFile(path) as file:
                schema, metadata = file.schema_arrow, file.metadata
                self.notes = check_columns(schema, str(path))
                self._check_size(metadata)
        except _READ_ERRORS as error:
            raise InputError("damaged-file", expected="a whole Parquet file", found=shorten(error)) from error
        self.pieces = [_piece(path, start, rows) for start, rows in _group_rows(metadata)]
        self.names = tuple(schema.names)
        self.columns = [name for name in self.names if name in KNOWN_COLUMNS]

    def scan(self) -> Iterator[pa.Table]:
        """The ids of all swings in tables of bounded size; every word of the file is checked on the way.

        Raises
        ------
        InputError
            ``text-too-long``, ``not-utf-8`` or ``damaged-file``.
        """
        columns = [name for name in self.columns if name in (*TEXT_COLUMNS, SHOT_COLUMN)]
        try:
            with self._open(columns) as file:
                for batch in file.iter_batches(batch_size=65_536, columns=columns):
                    words = {name: as_text(batch[name]) for name in columns if name != SHOT_COLUMN}
                    if SHOT_COLUMN in columns and is_list(batch[SHOT_COLUMN].type):
                        as_text(batch[SHOT_COLUMN].flatten())
                    elif SHOT_COLUMN in columns:
                        as_text(batch[SHOT_COLUMN])
                    yield pa.table({name: words[name] for name in ID_COLUMNS})
        except _READ_ERRORS as error:
            raise InputError("damaged-file", expected="ids that can be read", found=shorten(error)) from error

    def ids(self, piece: Piece, reason: str) -> Iterator[RawSwings]:
        """The swings of a piece by their ids alone, each refused with a reason."""
        columns = list(ID_COLUMNS)
        row = 0
        with self._open(columns) as file:
            for batch in file.iter_batches(batch_size=65_536, columns=columns):
                start, stop = max(piece.start - row, 0), min(piece.stop - row, len(batch))
                if start < stop:
                    ids = pa.Table.from_batches([batch.slice(start, stop - start)])
                    yield refused_swings(ids, str(self.path), row + start + 1, reason)
                row += len(batch)

    def read(self, report: Report, piece: Piece | None = None) -> Iterator[RawSwings]:
        """The swings of a piece, or all, in order; where a part is damaged, its swings are refused."""
        first, last = (piece.start, piece.stop) if piece else (0, sys.maxsize)
        with self._open(self.columns) as file:
            row = 0
            for groups, n_rows in _group_runs(file.metadata):
                start, stop = max(first - row, 0), min(last - row, n_rows)
                if start < stop:
                    yield from self._read_groups(file, groups, row, start, stop, report)
                row += n_rows

    def _read_groups(
        self, file: pq.ParquetFile, groups: list[int], row: int, start: int, stop: int, report: Report
    ) -> Iterator[RawSwings]:
        """Rows `start` to `stop` of some row groups, whose first row is the file's `row`."""
        done = 0
        try:
            for batch in file.iter_batches(self._batch_rows(file.metadata, groups), groups, self.columns):
                from_row, to_row = max(start - done, 0), min(stop - done, len(batch))
                if from_row < to_row:
                    wanted = batch.slice(from_row, to_row - from_row)
                    yield _raw_swings(wanted, str(self.path), row + done + from_row + 1, report)
                done += len(batch)
                if done >= stop:
                    return
        except _READ_ERRORS as error:
            done = max(done, start)
            where = row + done + 1
            report(file_problem(str(self.path), "damaged-file", "samples", shorten(error), where))
            ids = file.read_row_groups(groups, columns=list(ID_COLUMNS)).slice(done, stop - done)
            yield refused_swings(ids, str(self.path), where, "damaged-file")

    def _open(self, columns: list[str]) -> pq.ParquetFile:
        # Words stay dictionaries while they are read: a long word repeated in every row is then held once.
        # Without pre-buffering even a row group as long as the season is read piece by piece.
        words = [name for name in columns if name in TEXT_COLUMNS]
        return pq.ParquetFile(self.path, read_dictionary=words, buffer_size=_BUFFER_BYTES, pre_buffer=False)

    def _batch_rows(self, metadata: pq.FileMetaData, groups: list[int]) -> int:
        samples = max(_values(metadata, group) for group in groups) // len(SAMPLE_COLUMNS)
        rows = max(metadata.row_group(group).num_rows for group in groups)
        return int(np.clip(_BATCH_SAMPLES * rows // max(samples, 1), 1, _BATCH_ROWS))

    def _check_size(self, metadata: pq.FileMetaData) -> None:
        if not metadata.num_rows:
            raise InputError("no-rows", expected="a row for each swing", found="columns without rows")
        limit = unpack_limit_bytes(self.path.stat().st_size)
        unpacked = sum(
            _values(metadata, group) * 8 + metadata.row_group(group).total_byte_size
            for group in range(metadata.num_row_groups)
        )
        if unpacked > limit:
            raise InputError(
                "unpacks-too-far", expected=f"at most {limit:,} bytes unpacked", found=f"{unpacked:,}"
            )


def read_table(table: pa.Table, report: Report) -> RawSwings:
    """The swings of a table in memory.

    Raises
    ------
    InputError
        Where a column is missing, doubled, of another type, or holds words too long.
    """
    for note in check_columns(table.schema, ""):
        report(note)
    table = table.select([name for name in table.column_names if name in KNOWN_COLUMNS])
    return (
        _raw_swings(table.combine_chunks().to_batches()[0], "", 1, report)
        if len(table)
        else refused_swings(table, "", 1, "damaged-file")
    )


def _values(metadata: pq.FileMetaData, group: int) -> int:
    """Values in the sample columns of a row group."""
    chunks = (metadata.row_group(group).column(at) for at in range(metadata.num_columns))
    return sum(chunk.num_values for chunk in chunks if chunk.path_in_schema.split(".")[0] in SAMPLE_COLUMNS)


def _piece(path: Path, start: int, rows: int) -> Piece:
    return Piece(str(path), "parquet", start, start + rows, 0, rows)


def _group_rows(metadata: pq.FileMetaData) -> Iterator[tuple[int, int]]:
    """First row and number of rows of each row group that has some."""
    start = 0
    for group in range(metadata.num_row_groups):
        rows = metadata.row_group(group).num_rows
        if rows:
            yield start, rows
        start += rows


def _group_runs(metadata: pq.FileMetaData) -> Iterator[tuple[list[int], int]]:
    """Row groups in runs of about a batch, with the rows of each run."""
    run: list[int] = []
    n_rows = 0
    for group in range(metadata.num_row_groups):
        run.append(group)
        n_rows += metadata.row_group(group).num_rows
        if n_rows >= _BATCH_ROWS or group == metadata.num_row_groups - 1:
            yield run, n_rows
            run, n_rows = [], 0


def _raw_swings(batch: pa.RecordBatch, file: str, row: int, report: Report) -> RawSwings:
    n_swings = len(batch)
    counts, values = {}, {}
    for name in SAMPLE_COLUMNS:
        counts[name], values[name] = _samples(batch, name)
    lengths, needed = counts[TIME_COLUMN], [counts[name] for name in CHANNELS[:2]]
    rolled = counts["pronation_deg"]

    reasons = np.full(n_swings, "", dtype=object)
    equal = (needed[0] == lengths) & (needed[1] == lengths) & ((rolled == lengths) | (rolled == 0))
    reasons[~equal] = "length-mismatch"
    reasons[(needed[0] == 0) | (needed[1] == 0)] = "channel-missing"
    reasons[lengths == 0] = "time-missing"
    good = reasons == ""
    words = {name: as_text(batch[name]) for name in TEXT_COLUMNS if name in batch.schema.names}
    for at in np.flatnonzero(~good):
        ids = [words[name][at].as_py() for name in ID_COLUMNS]
        found = ", ".join(f"{counts[name][at]} in {name}" for name in SAMPLE_COLUMNS)
        report(swing_problem(file, row + int(at), ids, reasons[at], "as many angles as times", found))

    flat = [_of_good(values[name], counts[name], good) for name in (TIME_COLUMN, *CHANNELS[:2])]
    pronation = _of_good(values["pronation_deg"], rolled, good)
    if len(pronation) != len(flat[0]):
        spread = np.full(len(flat[0]), np.nan)
        spread[np.repeat(rolled[good] > 0, lengths[good])] = pronation
        pronation = spread
    table = raw_table(
        n_swings,
        **words,
        shot=_shots(batch),
        **{name: _numbers(batch[name]) for name in NUMBER_COLUMNS if name in batch.schema.names},
        file=[file] * n_swings,
        row=np.arange(row, row + n_swings),
        reason=pa.array(reasons, pa.string()),
    )
    return RawSwings(table, np.where(good, lengths, 0), flat[0], (flat[1], flat[2], pronation))


def _of_good(values: NDArray, counts: NDArray[np.int64], good: NDArray[np.bool_]) -> NDArray:
    return values if good.all() else values[np.repeat(good, counts)]


def _samples(batch: pa.RecordBatch, name: str) -> tuple[NDArray[np.int64], NDArray]:
    """Samples of each row and all samples end to end; none where the column is absent or null."""
    column = batch[name] if name in batch.schema.names else pa.nulls(len(batch))
    if column.type == pa.null():
        return np.zeros(len(batch), dtype=np.int64), np.empty(0)
    counts = pc.fill_null(pc.list_value_length(column), 0).to_numpy(zero_copy_only=False)
    return counts.astype(np.int64), _numbers(column.flatten())


def _numbers(column: pa.Array) -> NDArray:
    if not pa.types.is_floating(column.type) or pa.types.is_float16(column.type):
        column = column.cast(pa.float64(), safe=False)
    return column.to_numpy(zero_copy_only=False)


def _shots(batch: pa.RecordBatch) -> object:
    if SHOT_COLUMN not in batch.schema.names or batch[SHOT_COLUMN].type == pa.null():
        return None
    shots = batch[SHOT_COLUMN]
    if is_list(shots.type):
        return shots.cast(pa.list_(pa.string()))
    return [split_shot(text or "") for text in as_text(shots).to_pylist()]
