"""Long CSV as tables of bounded size: unpacking, header, one line one row, bad rows and cells marked.

Of a block the samples are parsed as a whole, and what a swing has once only in the lines where it changes
(`faultml.recordings.csv_runs`). Where anything in a block is odd it is parsed again line by line, which is slow and
says exactly what is wrong where. A line is a row: a quoted field does not reach over a line's end.
"""

from __future__ import annotations

import csv
import gzip
import re
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from io import BufferedIOBase
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa

from faultml.channels import ID_COLUMNS
from faultml.errors import InputError
from faultml.recordings.columns import check_names
from faultml.recordings.csv_parse import (
    MISSING_WORDS,
    CsvHeader,
    FoundIds,
    is_number_column,
    parse_ids,
    parse_runs,
)
from faultml.recordings.files import unpack_limit_bytes
from faultml.recordings.problems import shorten
from faultml.recordings.schema import (
    IMPACT_COLUMN,
    KNOWN_COLUMNS,
    NEEDED_COLUMNS,
    SAMPLE_COLUMNS,
)

BLOCK_BYTES: Final = 8_000_000
_HEAD_BYTES: Final = 1 << 18
MAX_LINE_BYTES: Final = 1_000_000

FIELD_COUNT, NOT_A_NUMBER, IMPACT_UNREADABLE = 1, 2, 4
"""Marks of a row, to be combined, in the column ``mark``."""

_DELIMITERS: Final = (",", ";", "\t")
_DECIMAL_LINES: Final = 200
_NUMBER = re.compile(r"[+-]?(?:(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?|inf(?:inity)?)", re.IGNORECASE | re.ASCII)
_BYTE_ORDER_MARK: Final = b"\xef\xbb\xbf"
_PACKED: Final = b"\x1f\x8b"
_NEW_LINE: Final = 10
_ASCII_END: Final = 128


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

    Attributes
    ----------
    header
        Its columns.
    body
        Byte of the unpacked file in which the second line begins.
    packed
        Whether it is packed, and so can be read from its beginning only.

    Raises
    ------
    InputError
        Where the header does not fit: ``empty-file``, ``not-a-table``, ``missing-column``,
        ``doubled-column``, ``no-rows``; or its beginning cannot be read, see `tables`.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        with path.open("rb") as file:
            self.packed = file.read(len(_PACKED)) == _PACKED
        blocks = self._blocks(0, None, _HEAD_BYTES)
        head, end, rest = bytes(next(blocks, b"")).partition(b"\n")
        self.body = len(head) + len(end)
        head = head.removeprefix(_BYTE_ORDER_MARK)
        if not head.strip() and not rest.strip():
            raise InputError("empty-file", expected="a table", found="nothing")
        while not rest.strip() and (more := next(blocks, None)):
            rest = bytes(more)
        self.header = _read_header(head, rest)
        if not rest.strip():
            raise InputError("no-rows", expected="a row for each sample", found="a header alone")

    def tables(
        self,
        wanted: tuple[str, ...],
        report: Callable[[BadRow], None],
        start: int = 0,
        stop: int | None = None,
        line: int = 2,
    ) -> Iterator[pa.Table]:
        """The wanted columns, those that the file has, plus ``line`` (header is line 1) and ``mark``.

        Text stays as it is, in dictionaries; numbers are float64 with NaN for lost samples.

        Parameters
        ----------
        start, stop
            Bytes between which to read, each the beginning of a line; all of a packed file is read.
        line
            Number of the line at `start`.

        Raises
        ------
        InputError
            ``not-utf-8``, ``damaged-file``, ``unpacks-too-far``, ``line-too-long``.
        """
        columns = [name for name in self.header.names if name in wanted]
        ids = ("",) * len(ID_COLUMNS)
        for block in self._blocks(max(start, self.body), stop, BLOCK_BYTES):
            _check_text(block, line)  # the first pass meets whatever the second may stumble over
            table = parse_runs(block, line, self.header, columns)
            if table is None:
                content = bytes(block)
                table = _parse_lines(content, line, self.header, columns, ids, report)
                line += content.count(b"\n")
            else:
                line += len(table)
            if len(table):
                ids = tuple(table[name][-1].as_py() for name in ID_COLUMNS)
                yield table

    def swings(self) -> Iterator[pa.Table]:
        """The ids of all swings, with the ``line`` and the byte, ``start``, in which each begins.

        Raises
        ------
        InputError
            As `tables`.
        """
        line, at = 2, self.body
        ids, last = ("",) * len(ID_COLUMNS), None
        for block in self._blocks(self.body, None, BLOCK_BYTES):
            _check_text(block, line)
            found = parse_ids(block, self.header)
            if found is None:
                content = bytes(block)
                rows = _parse_lines(content, line, self.header, list(ID_COLUMNS), ids, lambda _: None)
                begins = np.concatenate(
                    [[0], np.flatnonzero(np.frombuffer(content, np.uint8) == _NEW_LINE) + 1]
                )
                lines, n_lines = rows["line"].to_numpy() - line, content.count(b"\n")
                found = FoundIds(rows.select(list(ID_COLUMNS)), lines, begins[lines], n_lines)
            rows = [tuple(row.values()) for row in found.ids.to_pylist()]
            kept = [place for place, row in enumerate(rows) if row != (rows[place - 1] if place else last)]
            if rows:
                ids = last = rows[-1]
            table = found.ids.take(pa.array(kept, pa.int64()))
            yield table.append_column("line", pa.array(found.lines[kept] + line)).append_column(
                "start", pa.array(found.starts[kept] + at)
            )
            line += found.n_lines
            at += len(block)

    def _blocks(self, start: int, stop: int | None, block_bytes: int) -> Iterator[memoryview]:
        """Whole lines in blocks, from one byte to another; each block is good until the next is asked for."""
        size = self.path.stat().st_size
        limit = unpack_limit_bytes(size)
        to_read = limit + 1 if self.packed else max((size if stop is None else stop) - start, 0)
        # No larger than what is read: a season may be very many small files.
        room = bytearray(min(block_bytes + MAX_LINE_BYTES, to_read))
        view = memoryview(room)
        held, total = 0, 0
        try:
            with _open(self.path, packed=self.packed) as stream:
                stream.seek(start)
                while n_read := stream.readinto(view[held : held + min(block_bytes, to_read - total)]):
                    total += n_read
                    if total > limit:
                        raise InputError(
                            "unpacks-too-far", expected=f"at most {limit:,} bytes unpacked", found="more"
                        )
                    filled = held + n_read
                    end = room.rfind(b"\n", held, filled) + 1
                    if not end and room.find(b"\r", held, filled) >= 0:
                        room[held:filled] = room[held:filled].replace(b"\r", b"\n")
                        end = room.rfind(b"\n", held, filled) + 1
                    if end:
                        yield view[:end]
                        room[: filled - end] = room[end:filled]
                    held = filled - end
                    if held > MAX_LINE_BYTES:
                        raise InputError(
                            "line-too-long", expected=f"lines under {MAX_LINE_BYTES:,} bytes", found="longer"
                        )
        except (OSError, EOFError, zlib.error) as error:
            raise InputError("damaged-file", expected="a whole file", found=shorten(error)) from error
        if held:
            yield view[:held]


def _open(path: Path, *, packed: bool) -> BufferedIOBase:
    return gzip.open(path) if packed else path.open("rb")


def _check_text(block: memoryview, line: int) -> None:
    if np.frombuffer(block, dtype=np.uint8).max() >= _ASCII_END:
        _decode(bytes(block), line)


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
            if not is_number_column(name):
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
    kinds = {name: pa.float64() if is_number_column(name) else pa.string() for name in columns}
    arrays = {name: pa.array(values[name], kinds[name]) for name in columns}
    arrays |= {name: each.dictionary_encode() for name, each in arrays.items() if each.type == pa.string()}
    return pa.table({**arrays, "line": pa.array(lines, pa.int64()), "mark": pa.array(marks, pa.int8())})


def _number(cell: str, decimal: str) -> float | None:
    """The number in a cell, NaN for a lost sample, None for what is neither."""
    text = cell.strip()
    if text in MISSING_WORDS:
        return float("nan")
    if decimal != ".":
        text = text.replace(".", "?").replace(decimal, ".")
    return float(text) if _NUMBER.fullmatch(text) else None
