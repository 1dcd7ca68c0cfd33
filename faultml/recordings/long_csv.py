"""Seasons as long CSV: one row a sample; rows of one swing stand together."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
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

PIECE_SWINGS: Final = 256
"""Swings of the pieces into which a file is cut, of which partitions are made."""

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
        begins: list[tuple[int, int]] = []
        n_swings = 0
        for table in self._file.swings():
            cuts = np.arange(-n_swings % PIECE_SWINGS, len(table), PIECE_SWINGS)
            lines, starts = (table[name].to_numpy()[cuts].tolist() for name in ("line", "start"))
            begins += zip(starts, lines, strict=True)
            n_swings += len(table)
            yield table.select(list(ID_COLUMNS))
        size = self.path.stat().st_size
        if self._file.packed or not begins:
            self.pieces = [Piece(str(self.path), "csv", 0, size, 2, n_swings)]
            return
        ends = [start for start, _ in begins[1:]] + [size]
        counts = [PIECE_SWINGS] * (len(begins) - 1) + [n_swings - PIECE_SWINGS * (len(begins) - 1)]
        self.pieces = [
            Piece(str(self.path), "csv", start, stop, line, count)
            for (start, line), stop, count in zip(begins, ends, counts, strict=True)
        ]

    def ids(self, piece: Piece, reason: str) -> Iterator[RawSwings]:
        """The swings of a piece by their ids alone, each refused with a reason."""
        for table, starts in _whole_swings(self._tables(ID_COLUMNS, lambda _: None, piece)):
            first = table.take(starts)
            yield refused_swings(first, str(self.path), first["line"], reason)

    def read(self, report: Report, piece: Piece | None = None) -> Iterator[RawSwings]:
        """The swings of a piece, or all, in order."""
        bad_rows = _BadRows(str(self.path))
        for table, starts in _whole_swings(self._tables(KNOWN_COLUMNS, bad_rows.add, piece)):
            raw = _raw_swings(table, starts, str(self.path), report)
            bad_rows.hand_over(report, table["line"][-1].as_py())
            yield raw
        bad_rows.hand_over(report)

    def _tables(
        self, wanted: tuple[str, ...], add: Callable[[BadRow], None], piece: Piece | None
    ) -> Iterator[pa.Table]:
        if piece is None:
            return self._file.tables(wanted, add)
        return self._file.tables(wanted, add, piece.start, piece.stop, piece.line)


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

    def hand_over(self, report: Report, line: int = sys.maxsize) -> None:
        """Report those of swings that end at a line or before; more may be known later of the others."""
        for key, row in list(self._first.items()):
            if row.line > line:
                continue
            del self._first[key]
            count = self._counts.pop(key)
            more = f" and {count - 1} more rows" if count > 1 else ""
            report(swing_problem(self._file, row.line, row.ids, row.code, row.expected, row.found + more))


def _whole_swings(tables: Iterator[pa.Table]) -> Iterator[tuple[pa.Table, NDArray[np.int64]]]:
    """Tables that hold whole swings only, each with the first row of every swing.

    Of a run of rows longer than any swing only the beginning is kept, enough to be refused as too long.
    """
    most = limits().max_samples + 1
    held: pa.Table | None = None
    for table in tables:
        starts = _run_starts(table)
        if held is not None and _ids(held, 0) == _ids(table, 0):
            # Only the swing that reaches over two blocks is copied.
            end = int(starts[1]) if len(starts) > 1 else len(table)
            held = pa.concat_tables([held, table.slice(0, end)]).slice(0, most).combine_chunks()
            table, starts = table.slice(end), starts[1:] - end
        if not len(table):
            continue
        if held is not None:
            yield held, np.zeros(1, dtype=np.int64)
        last = int(starts[-1])
        if last:
            yield table.slice(0, last), starts[:-1]
        held = table.slice(last, most)
    if held is not None:
        yield held, np.zeros(1, dtype=np.int64)


def _ids(table: pa.Table, row: int) -> tuple[str, ...]:
    return tuple(table[name][row].as_py() for name in ID_COLUMNS)


def _run_starts(table: pa.Table) -> NDArray[np.int64]:
    changes = np.ones(len(table), dtype=bool)
    changes[1:] = False
    for name in ID_COLUMNS:
        changes[1:] |= _changes(table, name)
    return np.flatnonzero(changes)


def _changes(table: pa.Table, name: str) -> NDArray[np.bool_]:
    """``(n_rows - 1,)`` whether a row's value differs from the row before."""
    column = table[name].combine_chunks()
    if pa.types.is_dictionary(column.type):
        codes = column.indices.to_numpy()
        return codes[1:] != codes[:-1]
    values = column.to_numpy(zero_copy_only=False)
    return (values[1:] != values[:-1]) & ~(np.isnan(values[1:]) & np.isnan(values[:-1]))


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
