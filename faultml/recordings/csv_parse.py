"""A block of long CSV parsed at once: samples in every line, what a swing has once only where it changes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv
from numpy.typing import NDArray

from faultml.channels import ID_COLUMNS
from faultml.recordings.csv_runs import Runs, find_runs
from faultml.recordings.schema import NUMBER_COLUMNS, SAMPLE_COLUMNS

MISSING_WORDS: Final = ("", "nan", "NaN", "NAN", "NA", "N/A", "n/a", "null", "NULL", "None")
"""What stands for a lost sample in a column of numbers. In a column of text nothing does."""


@dataclass(frozen=True)
class CsvHeader:
    """The columns of a file, its delimiter and its decimal mark."""

    names: tuple[str, ...]
    delimiter: str
    decimal: str


class FoundIds(NamedTuple):
    """Ids of some lines of a block, among them every line whose ids differ from those of the line before.

    Attributes
    ----------
    ids
        Text columns `faultml.channels.ID_COLUMNS`.
    lines, starts
        Line of the block, from 0, and the byte in which it begins.
    n_lines
        Lines of the block.
    """

    ids: pa.Table
    lines: NDArray[np.int64]
    starts: NDArray[np.int64]
    n_lines: int


def is_number_column(name: str) -> bool:
    """Whether a known column holds numbers."""
    return name in SAMPLE_COLUMNS or name in NUMBER_COLUMNS


def parse_ids(block: memoryview, header: CsvHeader) -> FoundIds | None:
    """The ids of a block; None where a line of it needs a closer look."""
    runs = _runs(block, header, ID_COLUMNS)
    ids = None if runs is None else _first_rows(block, runs, header, ID_COLUMNS)
    if runs is None or ids is None:
        return None
    return FoundIds(ids, runs.lines, runs.starts, runs.n_lines)


def parse_runs(block: memoryview, line: int, header: CsvHeader, columns: Sequence[str]) -> pa.Table | None:
    """A block whose first line is the file's `line`; None where a line or a cell of it needs a closer look.

    Columns are as `faultml.recordings.csv_blocks.CsvFile.tables` gives them.
    """
    once = [name for name in columns if name not in SAMPLE_COLUMNS]
    samples = [name for name in columns if name in SAMPLE_COLUMNS]
    runs = _runs(block, header, once)
    first = None if runs is None else _first_rows(block, runs, header, once)
    read = None if first is None else _read(block, header, samples)
    if runs is None or first is None or read is None or len(read) != runs.n_lines:
        return None
    lengths = np.diff(runs.lines, append=runs.n_lines)
    arrays = {
        name: _repeated(first[name].combine_chunks(), lengths) if name in once else read[name]
        for name in columns
    }
    arrays["line"] = pa.array(np.arange(line, line + runs.n_lines))
    arrays["mark"] = pa.array(np.zeros(runs.n_lines, dtype=np.int8))
    return pa.table(arrays)


def _runs(block: memoryview, header: CsvHeader, columns: Sequence[str]) -> Runs | None:
    marked = np.array([name in columns for name in header.names])
    return find_runs(np.frombuffer(block, dtype=np.uint8), header.delimiter, marked)


def _first_rows(block: memoryview, runs: Runs, header: CsvHeader, columns: Sequence[str]) -> pa.Table | None:
    """Some columns of the first line of each run."""
    if 2 * len(runs.lines) > runs.n_lines:
        read = _read(block, header, columns)
        return None if read is None or len(read) != runs.n_lines else read.take(runs.lines)
    lines = [block[start:stop] for start, stop in zip(runs.starts, runs.stops, strict=True)]
    read = _read(memoryview(b"\n".join(lines)), header, columns)
    return None if read is None or len(read) != len(lines) else read


def _read(block: memoryview, header: CsvHeader, columns: Sequence[str]) -> pa.Table | None:
    """Some columns of a block; None where a row or a cell in it needs a closer look."""
    names = [name if name in columns else f"column {at}" for at, name in enumerate(header.names)]
    try:
        return pacsv.read_csv(
            pa.py_buffer(block),
            read_options=pacsv.ReadOptions(column_names=names, block_size=len(block) + 1),
            parse_options=pacsv.ParseOptions(delimiter=header.delimiter),
            convert_options=pacsv.ConvertOptions(
                include_columns=list(columns),
                column_types={
                    name: pa.float64() if is_number_column(name) else pa.string() for name in columns
                },
                null_values=list(MISSING_WORDS),
                strings_can_be_null=False,
                decimal_point=header.decimal,
            ),
        )
    except pa.ArrowInvalid:
        return None


def _repeated(column: pa.Array, lengths: NDArray[np.int64]) -> pa.Array:
    if column.type != pa.string():
        return pa.array(np.repeat(column.to_numpy(zero_copy_only=False), lengths))
    coded = column.dictionary_encode()
    return pa.DictionaryArray.from_arrays(np.repeat(coded.indices.to_numpy(), lengths), coded.dictionary)
