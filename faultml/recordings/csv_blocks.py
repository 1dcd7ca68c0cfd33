"""Long CSV as tables of bounded size: unpacking, header, one line one row, bad rows and cells marked.

A block is parsed as a whole; where anything in it is odd it is parsed again line by line, which is slow and
says exactly what is wrong where. A line is a row: a quoted field does not reach over a line's end.
"""

from __future__ import annotations

import csv
import gzip
import re
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv

from faultml.channels import ID_COLUMNS
from faultml.errors import InputError
from faultml.recordings.columns import check_names
from faultml.recordings.files import unpack_limit_bytes
from faultml.recordings.problems import shorten
from faultml.recordings.schema import (
    IMPACT_COLUMN,
    KNOWN_COLUMNS,
    NEEDED_COLUMNS,
    NUMBER_COLUMNS,
    SAMPLE_COLUMNS,
)

BLOCK_BYTES: Final = 8_000_000
MAX_LINE_BYTES: Final = 1_000_000

FIELD_COUNT, NOT_A_NUMBER, IMPACT_UNREADABLE = 1, 2, 4
"""Marks of a row, to be combined, in the column ``mark``."""

MISSING_WORDS: Final = ("", "nan", "NaN", "NAN", "NA", "N/A", "n/a", "null", "NULL", "None")
"""What stands for a lost sample in a column of numbers. In a column of text nothing does."""

_DELIMITERS: Final = (",", ";", "\t")
_DECIMAL_LINES: Final = 200
_NUMBER = re.compile(r"[+-]?(?:(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?|inf(?:inity)?)", re.IGNORECASE | re.ASCII)
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"


@dataclass(frozen=True)
class CsvHeader:
    """The columns of a file, its delimiter and its decimal mark."""

    names: tuple[str, ...]
    delimiter: str
    decimal: str


@dataclass(frozen=True)
class BadRow:
    """A row that could not be read as it stands; `ids` as far as known."""

    line: int
    ids: tuple[str, ...]
    code: str
    expected: str
    found: str


class CsvFile:
    """The rows of one CSV file, packed or not.

    Raises
    ------
    InputError
        Where the header does not fit: ``empty-file``, ``not-a-table``, ``missing-column``,
        ``doubled-column``, ``no-rows``; or its beginning cannot be read, see `tables`.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        blocks = self._blocks()
        head, _, rest = next(blocks, (1, b""))[1].partition(b"\n")
        if not head.strip() and not rest.strip():
            raise InputError("empty-file", expected="a table", found="nothing")
        while not rest.strip() and (more := next(blocks, None)):
            rest = more[1]
        self.header = _read_header(head, rest)
        if not rest.strip():
            raise InputError("no-rows", expected="a row for each sample", found="a header alone")

    def tables(self, wanted: tuple[str, ...], report: Callable[[BadRow], None]) -> Iterator[pa.Table]:
        """The wanted columns, those that the file has, plus ``line`` (header is line 1) and ``mark``.

        Text stays as it is, numbers are float64 with NaN for lost samples.

        Raises
        ------
        InputError
            ``not-utf-8``, ``damaged-file``, ``unpacks-too-far``, ``line-too-long``.
        """
        columns = [name for name in self.header.names if name in wanted]
        ids = ("",) * len(ID_COLUMNS)
        for line, block in self._blocks():
            if line == 1:
                _, _, block = block.partition(b"\n")
                line = 2
            if not block.strip():
                continue
            if not block.isascii():
                _decode(block, line)  # the first pass meets whatever the second may stumble over
            table = _parse_block(block, line, self.header, columns)
            if table is None:
                table = _parse_lines(block, line, self.header, columns, ids, report)
            if len(table):
                ids = tuple(table[name][-1].as_py() for name in ID_COLUMNS)
                yield table

    def _blocks(self) -> Iterator[tuple[int, bytes]]:
        """Whole lines in blocks, each with the number of its first line."""
        limit = unpack_limit_bytes(self.path.stat().st_size)
        line, held, total = 1, b"", 0
        try:
            with _open(self.path) as stream:
                while chunk := stream.read(BLOCK_BYTES):
                    total += len(chunk)
                    if total > limit:
                        raise InputError(
                            "unpacks-too-far", expected=f"at most {limit:,} bytes unpacked", found="more"
                        )
                    if b"\r" in chunk and b"\n" not in chunk:
                        chunk = chunk.replace(b"\r", b"\n")
                    held += chunk
                    end = held.rfind(b"\n") + 1
                    if end:
                        yield line, _strip_mark(held[:end], line)
                        line += held.count(b"\n", 0, end)
                        held = held[end:]
                    if len(held) > MAX_LINE_BYTES:
                        raise InputError(
                            "line-too-long", expected=f"lines under {MAX_LINE_BYTES:,} bytes", found="longer"
                        )
        except (OSError, EOFError, zlib.error) as error:
            raise InputError("damaged-file", expected="a whole file", found=shorten(error)) from error
        if held:
            yield line, _strip_mark(held, line)


def _open(path: Path) -> BinaryIO:
    stream = path.open("rb")
    packed = stream.read(2) == b"\x1f\x8b"
    stream.seek(0)
    return gzip.open(stream) if packed else stream  # type: ignore[return-value]


def _strip_mark(block: bytes, line: int) -> bytes:
    return block.removeprefix(_BYTE_ORDER_MARK) if line == 1 else block


def _decode(block: bytes, line: int) -> str:
    try:
        return block.decode("utf-8")
    except UnicodeDecodeError as error:
        at = line + block.count(b"\n", 0, error.start)
        found = f"byte 0x{block[error.start]:02x} in line {at}"
        raise InputError("not-utf-8", where=str(at), expected="UTF-8", found=found) from error


def _fields(line: str, delimiter: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=delimiter, strict=True), [])
    except csv.Error:
        return line.split(delimiter)


def _read_header(head: bytes, rest: bytes) -> CsvHeader:
    text = _decode(head, 1).rstrip("\r")
    readings = {mark: [name.strip() for name in _fields(text, mark)] for mark in _DELIMITERS}
    delimiter = max(_DELIMITERS, key=lambda mark: len(set(readings[mark]) & set(KNOWN_COLUMNS)))
    names = readings[delimiter]
    if not set(NEEDED_COLUMNS) & set(names):
        raise InputError(
            "not-a-table", expected="a header with " + ", ".join(NEEDED_COLUMNS), found=shorten(text)
        )
    check_names(names)
    decimal = "." if delimiter == "," else _decimal_mark(rest, names, delimiter)
    return CsvHeader(tuple(names), delimiter, decimal)


def _decimal_mark(rest: bytes, names: list[str], delimiter: str) -> str:
    numbers = [at for at, name in enumerate(names) if name in SAMPLE_COLUMNS]
    for line in rest.split(b"\n", _DECIMAL_LINES)[:_DECIMAL_LINES]:
        fields = _fields(line.decode("utf-8", "replace"), delimiter)
        if any("," in fields[at] for at in numbers if at < len(fields)):
            return ","
    return "."


def _is_number_column(name: str) -> bool:
    return name in SAMPLE_COLUMNS or name in NUMBER_COLUMNS


def _parse_block(block: bytes, line: int, header: CsvHeader, columns: list[str]) -> pa.Table | None:
    """The block at once; None where a row or a cell in it needs a closer look."""
    names = [name if name in columns else f"column {at}" for at, name in enumerate(header.names)]
    try:
        table = pacsv.read_csv(
            pa.py_buffer(block),
            read_options=pacsv.ReadOptions(column_names=names, block_size=len(block) + 1),
            parse_options=pacsv.ParseOptions(delimiter=header.delimiter),
            convert_options=pacsv.ConvertOptions(
                include_columns=columns,
                column_types={
                    name: pa.float64() if _is_number_column(name) else pa.string() for name in columns
                },
                null_values=list(MISSING_WORDS),
                strings_can_be_null=False,
                decimal_point=header.decimal,
            ),
        )
    except pa.ArrowInvalid:
        return None
    n_lines = block.count(b"\n") + (not block.endswith(b"\n"))
    if len(table) != n_lines:
        return None
    lines = pa.array(np.arange(line, line + n_lines))
    return table.append_column("line", lines).append_column(
        "mark", pa.array(np.zeros(n_lines, dtype=np.int8))
    )


def _parse_lines(
    block: bytes,
    first_line: int,
    header: CsvHeader,
    columns: list[str],
    ids: tuple[str, ...],
    report: Callable[[BadRow], None],
) -> pa.Table:
    """The block line by line, bad rows and cells marked and reported; a row without ids takes the last."""
    places = [header.names.index(name) for name in columns]
    id_places = [header.names.index(name) for name in ID_COLUMNS]
    n_fields = len(header.names)
    values: dict[str, list] = {name: [] for name in columns}
    lines, marks = [], []
    for offset, text in enumerate(_decode(block, first_line).split("\n")):
        text = text.rstrip("\r")
        if not text.strip():
            continue
        line, mark = first_line + offset, 0
        fields = _fields(text, header.delimiter)
        if len(fields) > max(id_places):
            ids = tuple(fields[place] for place in id_places)
        if len(fields) != n_fields:
            report(BadRow(line, ids, "field-count", f"{n_fields} fields", f"{len(fields)}: {shorten(text)}"))
            mark = FIELD_COUNT
            fields = [""] * n_fields
            for place, part in zip(id_places, ids, strict=True):
                fields[place] = part
        for name, place in zip(columns, places, strict=True):
            cell = fields[place]
            if not _is_number_column(name):
                values[name].append(cell)
                continue
            number = _number(cell, header.decimal)
            if number is None:
                code = "impact-unreadable" if name == IMPACT_COLUMN else "not-a-number"
                mark |= IMPACT_UNREADABLE if name == IMPACT_COLUMN else NOT_A_NUMBER
                report(BadRow(line, ids, code, f"a number in {name}", repr(shorten(cell))))
            values[name].append(np.nan if number is None else number)
        lines.append(line)
        marks.append(mark)
    kinds = {name: pa.float64() if _is_number_column(name) else pa.string() for name in columns}
    arrays = {name: pa.array(values[name], kinds[name]) for name in columns}
    return pa.table({**arrays, "line": pa.array(lines, pa.int64()), "mark": pa.array(marks, pa.int8())})


def _number(cell: str, decimal: str) -> float | None:
    """The number in a cell, NaN for a lost sample, None for what is neither."""
    text = cell.strip()
    if text in MISSING_WORDS:
        return float("nan")
    if decimal != ".":
        text = text.replace(".", "?").replace(decimal, ".")
    return float(text) if _NUMBER.fullmatch(text) else None
