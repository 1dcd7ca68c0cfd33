"""Seasons as long CSV: one row a sample; rows of one swing stand together."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from faultml.channels import CHANNELS, ID_COLUMNS
from faultml.recordings.csv_blocks import FIELD_COUNT, IMPACT_UNREADABLE, NOT_A_NUMBER, BadRow, CsvFile
from faultml.recordings.findings import limits
from faultml.recordings.fragments import Piece
from faultml.recordings.problems import Problem, file_problem, swing_problem
from faultml.recordings.raw import RawSwings, raw_table, refused_swings
from faultml.recordings.schema import (
    KNOWN_COLUMNS,
    NUMBER_COLUMNS,
    SHOT_COLUMN,
    SWING_COLUMNS,
    TIME_COLUMN,
)
from faultml.recordings.words import split_shot

Report = Callable[[Problem], None]

_REFUSALS = {FIELD_COUNT: "field-count", NOT_A_NUMBER: "not-a-number"}


class CsvSeason:
    """One CSV file of a season.

    Raises
    ------
    InputError
        Where the file as a whole cannot be read, see `faultml.recordings.csv_blocks.CsvFile`.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._file = CsvFile(path)
        header = self._file.header
        self.names = header.names
        self.columns = [name for name in self.names if name in KNOWN_COLUMNS]
        self.notes: list[Problem] = []
        self.pieces: list[Piece] = []
        if header.delimiter != ",":
            found = f"{header.delimiter!r} between fields and {header.decimal!r} as decimal mark: read so"
            self.notes.append(
                file_problem(
                    str(path), "other-delimiter", "',' between fields and '.' as decimal mark", found, 1
                )
            )

    def scan(self) -> Iterator[pa.Table]:
        """The ids of all swings in tables of bounded size; `pieces` is known at its end."""
        tables = self._file.tables(ID_COLUMNS, lambda _: None)
        n_swings = 0
        for table, starts in _whole_swings(tables):
            n_swings += len(starts)
            yield table.select(list(ID_COLUMNS)).take(starts)
        self.pieces = [Piece(str(self.path), "csv", 0, self.path.stat().st_size, 1, n_swings)]

    def ids(self, piece: Piece, reason: str) -> Iterator[RawSwings]:
        """The swings of a piece by their ids alone, each refused with a reason."""
        tables = self._file.tables(ID_COLUMNS, lambda _: None)
        for table, starts in _whole_swings(tables):
            first = table.take(starts)
            yield refused_swings(first, str(self.path), first["line"], reason)

    def read(self, report: Report, piece: Piece | None = None) -> Iterator[RawSwings]:
        """The swings of a piece, or all, in order."""
        bad_rows = _BadRows(str(self.path))
        for table, starts in _whole_swings(self._file.tables(KNOWN_COLUMNS, bad_rows.add)):
            yield _raw_swings(table, starts, str(self.path), report)
            bad_rows.hand_over(report)


class _BadRows:
    """Bad rows of a file, those of one swing with the same code in one problem."""

    def __init__(self, file: str) -> None:
        self._file = file
        self._first: dict[tuple[tuple[str, ...], str, str], BadRow] = {}
        self._counts: dict[tuple[tuple[str, ...], str, str], int] = {}

    def add(self, row: BadRow) -> None:
        key = (row.ids, row.code, row.expected)
        self._first.setdefault(key, row)
        self._counts[key] = self._counts.get(key, 0) + 1

    def hand_over(self, report: Report) -> None:
        for key, row in self._first.items():
            more = f" and {self._counts[key] - 1} more rows" if self._counts[key] > 1 else ""
            report(swing_problem(self._file, row.line, row.ids, row.code, row.expected, row.found + more))
        self._first.clear()
        self._counts.clear()


def _whole_swings(tables: Iterator[pa.Table]) -> Iterator[tuple[pa.Table, NDArray[np.int64]]]:
    """Tables that hold whole swings only, each with the first row of every swing.

    Of a run of rows longer than any swing only the beginning is kept, enough to be refused as too long.
    """
    most = limits().max_samples + 1
    held: pa.Table | None = None
    for table in tables:
        if held is not None:
            table = pa.concat_tables([held, table])
        table = table.combine_chunks()
        starts = _run_starts(table)
        last = int(starts[-1])
        if last:
            yield table.slice(0, last), starts[:-1]
        held = table.slice(last, most)
    if held is not None:
        yield held, np.zeros(1, dtype=np.int64)


def _run_starts(table: pa.Table) -> NDArray[np.int64]:
    changes = np.ones(len(table), dtype=bool)
    changes[1:] = False
    for name in ID_COLUMNS:
        changes[1:] |= _changes(table, name)
    return np.flatnonzero(changes)


def _changes(table: pa.Table, name: str) -> NDArray[np.bool_]:
    """``(n_rows - 1,)`` whether a row's value differs from the row before."""
    column = table[name].combine_chunks()
    if isinstance(column, pa.ChunkedArray):
        column = column.chunk(0) if column.num_chunks else pa.array([], column.type)
    if pa.types.is_floating(column.type):
        values = column.to_numpy(zero_copy_only=False)
        return (values[1:] != values[:-1]) & ~(np.isnan(values[1:]) & np.isnan(values[:-1]))
    return pc.not_equal(column.slice(1), column.slice(0, len(column) - 1)).to_numpy(zero_copy_only=False)


def _raw_swings(table: pa.Table, starts: NDArray[np.int64], file: str, report: Report) -> RawSwings:
    n_swings = len(starts)
    lengths = np.diff(starts, append=len(table))
    marks = np.bitwise_or.reduceat(table["mark"].to_numpy(), starts)
    reasons = np.full(n_swings, "", dtype=object)
    for mark, code in _REFUSALS.items():
        reasons[(marks & mark > 0) & (reasons == "")] = code
    first = table.take(starts)
    columns: dict[str, list] = {
        name: first[name].to_pylist() for name in SWING_COLUMNS if name in table.column_names
    }
    noted = [["impact-unreadable"] if mark & IMPACT_UNREADABLE else [] for mark in marks]
    for at, name, found in _settle_disagreements(table, starts, lengths, columns):
        noted[at].append("inconsistent-rows")
        ids = [columns[part][at] for part in ID_COLUMNS]
        expected = f"one {name} in all rows of a swing"
        report(swing_problem(file, first["line"][at].as_py(), ids, "inconsistent-rows", expected, found))
    if SHOT_COLUMN in columns:
        columns[SHOT_COLUMN] = [split_shot(text) for text in columns[SHOT_COLUMN]]
    raw = raw_table(
        n_swings, **columns, file=[file] * n_swings, row=first["line"], reason=list(reasons), noted=noted
    )

    good = reasons == ""
    rows = np.repeat(good, lengths)
    flat = {name: _flat(table, name, rows) for name in (TIME_COLUMN, *CHANNELS)}
    angles_deg = tuple(flat[name] for name in CHANNELS)
    return RawSwings(raw, np.where(good, lengths, 0), flat[TIME_COLUMN], angles_deg)


def _flat(table: pa.Table, name: str, rows: NDArray[np.bool_]) -> NDArray[np.float64]:
    if name not in table.column_names:
        return np.full(int(rows.sum()), np.nan)
    values = table[name].to_numpy()
    return values if rows.all() else values[rows]


def _settle_disagreements(
    table: pa.Table, starts: NDArray[np.int64], lengths: NDArray[np.int64], columns: dict[str, list]
) -> Iterator[tuple[int, str, str]]:
    """Settle what a swing has once but its rows tell differently: the only value given, else none.

    Yields the swing, the column and the differing values of each disagreement; `columns` is corrected in
    place.
    """
    for name in columns:
        if name in ID_COLUMNS:
            continue
        changes = np.flatnonzero(_changes(table, name)) + 1
        within = np.setdiff1d(changes, starts, assume_unique=True)
        for at in np.unique(np.searchsorted(starts, within, side="right") - 1):
            rows = table[name].slice(int(starts[at]), int(lengths[at]))
            nothing = None if name in NUMBER_COLUMNS else ""
            given = [
                value for value in rows.unique().to_pylist() if value not in (None, "") and value == value
            ]
            columns[name][at] = given[0] if len(given) == 1 else nothing
            if len(given) > 1:
                yield int(at), name, ", ".join(str(value) for value in given[:5])
