"""A recorder's file as the guesses see it: how its table stands, and the columns of its first rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any, Final, Literal

import msgspec
import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from faultml.errors import InputError
from faultml.importing.cells import Written, read_numbers
from faultml.importing.layout import FileLayout
from faultml.importing.propose.stand_ins import find_stand_ins
from faultml.importing.propose.words import load_words, tokens
from faultml.importing.readers import read_blocks
from faultml.importing.wide import MANY, families, gather_wide

MAX_ROWS: Final = 200_000
"""Samples looked at, and rows read; the rest of a file is more of the same."""

LONGEST_STATEMENT: Final = 80
MIN_SAMPLED: Final = 100
"""So many numbered columns are samples, whatever they are called."""

Doubt = Literal["sure", "likely", "open"]

MAX_BAD_SHARE: Final = 0.02
"""A column of numbers holds at most so many cells that are none."""


@dataclass(frozen=True)
class Guess:
    """What a field of the layout shall be.

    Attributes
    ----------
    path
        Dotted, as in the layout: ``angles.flexion.positive``.
    value
        ``"?"`` where `doubt` is ``open``.
    doubt
        ``sure``: the file says so and nothing speaks against it; ``likely``: concluded, and shown to the coach.
    reason
        What it rests on.
    question
        What to ask the coach where it is open.
    """

    path: str
    value: Any
    doubt: Doubt
    reason: str
    question: str = ""


def open_guess(path: str, reason: str, question: str) -> Guess:
    """A field left to the coach."""
    return Guess(path, "?", "open", reason, question)


@dataclass(frozen=True)
class Table:
    """How the table stands in a file: what the reader needs to know, what stands above it and below its names."""

    layout: FileLayout
    guesses: list[Guess]
    preamble: list[str] = field(default_factory=list)
    units: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Source:
    """The first rows of a file.

    Attributes
    ----------
    names
        Of the columns, as a layout calls them: unique, ``"#3"`` where a name is absent or repeated.
    numbers
        ``(n_rows,)`` of each column that holds numbers, NaN where a cell is empty. With one row a swing the samples
        end to end, one value a sample.
    cells
        The same of all columns as text.
    stamps
        Columns of date and time.
    row
        ``(n_rows,)`` which row a sample stands in, where a row is a swing.
    quaternion_scales
        Lengths of the quaternions in whole numbers that were found.
    """

    path: Path
    table: Table
    names: list[str]
    titles: dict[str, str]
    units: dict[str, str]
    numbers: dict[str, NDArray[np.float64]]
    cells: dict[str, NDArray[np.object_]]
    stamps: dict[str, pd.DatetimeIndex]
    row: NDArray[np.int64] | None
    angle_unit: str
    quaternion_scales: set[float] = field(default_factory=set)

    def __len__(self) -> int:
        return len(next(iter(self.cells.values()), ()))

    @cached_property
    def preamble(self) -> list[str]:
        """The lines above the table that are short enough to state something; longer ones are prose."""
        lines = (line.strip() for line in self.table.preamble)
        return [line for line in lines if 0 < len(line) <= LONGEST_STATEMENT]


def read_source(path: Path, table: Table) -> Source:
    """The first rows of a file.

    Raises
    ------
    InputError
        What the reader says, or ``no-rows``.
    """
    blocks, n_values = [], 0
    angle_unit = ""
    for block in read_blocks(path, table.layout):
        blocks.append(block)
        angle_unit = angle_unit or block.angle_unit
        n_values += max((_n_values(column) for column in block.table.columns), default=0)
        if n_values >= MAX_ROWS:
            break
    if not blocks:
        raise InputError("no-rows", where=str(path), expected="a table of samples", found="no rows")
    if table.layout.shape == "rows":
        table = _with_shape(table, blocks[0].table.column_names)
    if table.layout.shape == "wide":
        wide = families(blocks[0].table.column_names)
        blocks = [gather_wide(block, wide) for block in blocks]
    titles = blocks[0].table.column_names
    names = [
        title
        if title and title != "?" and titles.count(title) == 1 and not title.startswith("#")
        else f"#{at}"
        for at, title in enumerate(titles, 1)
    ]
    columns = [[block.table.column(at) for block in blocks] for at in range(len(names))]
    merged = {name: _merge(parts) for name, parts in zip(names, columns, strict=True)}
    if table.layout.shape != "rows":
        return _lists(path, table, names, titles, merged, angle_unit)
    table = _with_missing(table, merged)
    written = Written.of(table.layout)
    numbers, cells, stamps = {}, {}, {}
    for name, column in merged.items():
        column = column.slice(0, MAX_ROWS)
        if pa.types.is_timestamp(column.type):
            stamps[name] = pd.DatetimeIndex(column.to_pandas())
        cells[name] = column.cast(pa.string()).to_pandas().astype(object).to_numpy()
        values = as_numbers(column, written)
        if values is not None and name not in stamps:
            numbers[name] = values
    fresh = _fresh_rows(list(cells.values()))
    if not fresh.all():  # an import drops copies of rows too
        numbers = {name: values[fresh] for name, values in numbers.items()}
        cells = {name: column[fresh] for name, column in cells.items()}
        stamps = {name: column[fresh] for name, column in stamps.items()}
    return Source(
        path,
        table,
        names,
        dict(zip(names, titles, strict=True)),
        dict(zip(names, [*table.units, *[""] * len(names)], strict=False)),
        numbers,
        cells,
        stamps,
        None,
        angle_unit,
    )


def _with_shape(table: Table, names: Sequence[str]) -> Table:
    """The table as one row a swing where its columns are numbered samples."""
    known = load_words()
    words = frozenset().union(*(angle.all for angle in known.angles.values()))
    found = families(names)
    sampled = [
        family for family in found if _count(family, names) >= MIN_SAMPLED or set(tokens(family)) & words
    ]
    if len(sampled) < 2:
        return table
    reason = f"columns {', '.join(sampled[:4])} are numbered: a row is a swing"
    layout = msgspec.structs.replace(table.layout, shape="wide")
    guess = Guess("file.shape", "wide", "sure", reason)
    return replace(table, layout=layout, guesses=[*table.guesses, guess])


def _count(family: str, names: Sequence[str]) -> int:
    before, _, after = family.partition(MANY)
    return sum(name.startswith(before) and name.endswith(after) for name in names)


def _with_missing(table: Table, columns: dict[str, pa.ChunkedArray]) -> Table:
    """The table with what stands for a lost sample in its columns of numbers."""
    found = find_stand_ins(columns, Written.of(table.layout))
    if not found:
        return table
    reason = "; ".join(f"{word!r} {why}" for word, why in found.items())
    guess = Guess("file.missing", list(found), "likely", reason)
    layout = msgspec.structs.replace(table.layout, missing=tuple(found))
    return replace(table, layout=layout, guesses=[*table.guesses, guess])


def _fresh_rows(columns: list[NDArray[np.object_]]) -> NDArray[np.bool_]:
    """Rows that differ from the one before in some column."""
    fresh = np.ones(len(columns[0]) if columns else 0, dtype=bool)
    if len(fresh) > 1:
        fresh[1:] = np.any([(column[1:] != column[:-1]).astype(bool) for column in columns], axis=0)
    return fresh


def _n_values(column: pa.ChunkedArray) -> int:
    nested = pa.types.is_list(column.type) or pa.types.is_large_list(column.type)
    return sum(len(chunk.flatten()) for chunk in column.chunks) if nested else len(column)


def _merge(parts: Sequence[pa.ChunkedArray]) -> pa.ChunkedArray:
    kinds = {str(part.type) for part in parts}
    if len(kinds) > 1:
        parts = [part.cast(pa.string()) for part in parts]
    if pa.types.is_dictionary(parts[0].type):
        parts = [part.cast(pa.string()) for part in parts]
    return pa.chunked_array([chunk for part in parts for chunk in part.chunks])


def as_numbers(column: pa.ChunkedArray, written: Written) -> NDArray[np.float64] | None:
    """A column's numbers, NaN for what is lost; None where more than one cell in fifty is neither."""
    if not column.num_chunks:
        return None
    try:
        numbers, bad = read_numbers(pa.concat_arrays(column.chunks), written)
    except (InputError, pa.ArrowException):  # neither text nor numbers
        return None
    return numbers if np.isfinite(numbers).any() and bad.mean() <= MAX_BAD_SHARE else None


def _lists(
    path: Path,
    table: Table,
    names: list[str],
    titles: list[str],
    merged: dict[str, pa.ChunkedArray],
    angle_unit: str,
) -> Source:
    """A table of one row a swing, laid out one row a sample."""
    split, written = table.layout.list_delimiter, Written.of(table.layout)
    values: dict[str, list[NDArray[np.float64]]] = {}
    for name, column in merged.items():
        rows = column.to_pylist()
        if pa.types.is_string(column.type):
            text = [cell or "" for cell in rows]
            if not any(split in cell.strip() for cell in text):
                continue
            parts = [[part for part in cell.split(split) if part.strip()] for cell in text]
            flat = pa.chunked_array([pa.array([part for row in parts for part in row], pa.string())])
            numbers = as_numbers(flat, written)
            if numbers is None:
                continue
            ends = np.cumsum([len(row) for row in parts])[:-1]
            values[name] = np.split(numbers, ends)
        elif isinstance(next((row for row in rows if row is not None), None), list):
            try:
                flat = pa.chunked_array([pa.array([cell for row in rows for cell in row or []])])
            except (TypeError, ValueError, pa.ArrowException):
                continue
            numbers = as_numbers(flat, written)
            if numbers is not None:
                values[name] = np.split(numbers, np.cumsum([len(row or []) for row in rows])[:-1])
    lengths = np.max([[len(row) for row in column] for column in values.values()], axis=0) if values else [1]
    row = np.repeat(np.arange(len(lengths)), lengths)
    numbers_of: dict[str, NDArray[np.float64]] = {}
    cells: dict[str, NDArray[np.object_]] = {}
    for name, column in merged.items():
        if name in values:
            padded = [
                np.pad(each, (0, n - len(each)), constant_values=np.nan)
                for each, n in zip(values[name], lengths, strict=True)
            ]
            numbers_of[name] = np.concatenate(padded)
            cells[name] = np.full(len(row), "", dtype=object)
        elif not pa.types.is_nested(column.type):
            cells[name] = np.repeat(column.cast(pa.string()).to_pandas().astype(object).to_numpy(), lengths)
            single = as_numbers(column, written)
            if single is not None:
                numbers_of[name] = np.repeat(single, lengths)
        else:
            cells[name] = np.full(len(row), "", dtype=object)
    return Source(
        path,
        table,
        names,
        dict(zip(names, titles, strict=True)),
        dict.fromkeys(names, ""),
        numbers_of,
        cells,
        {},
        row,
        angle_unit,
    )
