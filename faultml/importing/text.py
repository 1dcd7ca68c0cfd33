"""Text tables of any delimiter, decimal mark, encoding and header, read in blocks; cells stay text.

A line is a row: a quoted field does not reach over a line's end. Blank lines are no rows.
"""

from __future__ import annotations

import codecs
import csv
import gzip
import re
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO, Final

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv

from faultml.errors import InputError
from faultml.importing.layout import FileLayout
from faultml.importing.readers import Block
from faultml.recordings.files import unpack_limit_bytes
from faultml.recordings.problems import shorten

CHUNK_BYTES: Final = 2_000_000
SMALL: Final = 200_000
"""Shorter texts are split here: to start a reader for each of many small files costs more than to read them."""
MAX_LINE_LETTERS: Final = 1_000_000
"""Longest line, characters."""
MAX_ABOVE: Final = 400
"""Lines above the table that are kept for what they say."""
MAX_COLUMNS: Final = 10_000

_NO_ENCODINGS: Final = frozenset(
    {"idna", "punycode", "unicode_escape", "raw_unicode_escape", "undefined", "utf_7"}
)
_BLANKS = re.compile(r"[ \t]+")
_SEPARATOR = "\t"


class TextReader:
    """Reader ``text``: CSV, TSV and the like, packed by gzip or not."""

    def read(self, path: Path, layout: FileLayout) -> Iterator[Block]:
        """The table of a file, see `faultml.importing.readers.Reader.read`."""
        return read_text(path, layout)


def read_text(path: Path, layout: FileLayout) -> Iterator[Block]:
    """The rows below the names line, all cells as text.

    Raises
    ------
    InputError
        ``unknown-encoding``, ``wrong-encoding``, ``damaged-file``, ``unpacks-too-far``, ``line-too-long``,
        ``no-rows``, ``too-many-columns``.
    """
    table: _Table | None = None
    names_line = ""
    above: list[str] = []
    start = layout.first_line or layout.names_line + 1
    for line, text in _texts(path, layout.encoding):
        rest = text
        while table is None and line < start and rest:
            head, _, rest = rest.partition("\n")
            if line == layout.names_line:
                names_line = head
            elif len(above) < MAX_ABOVE:
                above.append(head)
            line += 1
        if not rest.strip():
            continue
        if table is None:
            table = _make_table(names_line, rest, layout)
        block = table.parse(rest, line)
        if len(block.lines):
            yield replace(block, above=tuple(above))
    if table is None:
        raise InputError("no-rows", expected=f"samples from line {start} on", found="none")


def read_lines(path: Path, encoding: str) -> Iterator[tuple[int, str]]:
    """The lines of a file, each with its number from 1; see `read_text` for what is raised."""
    for line, text in _texts(path, encoding):
        for at, row in enumerate(text.removesuffix("\n").split("\n")):
            yield line + at, row


def open_bytes(path: Path) -> BinaryIO:
    """A file's bytes, unpacked where it is gzip."""
    stream = path.open("rb")
    packed = stream.read(2) == b"\x1f\x8b"
    stream.seek(0)
    return gzip.open(stream) if packed else stream  # type: ignore[return-value]


def _texts(path: Path, encoding: str) -> Iterator[tuple[int, str]]:
    """Whole lines in pieces with ``\\n`` at their ends, each piece with the number of its first line."""
    decoder = _decoder(encoding)
    limit, total, line, held = unpack_limit_bytes(path.stat().st_size), 0, 1, ""
    try:
        with open_bytes(path) as stream:
            while True:
                chunk = stream.read(CHUNK_BYTES)
                total += len(chunk)
                if total > limit:
                    raise InputError(
                        "unpacks-too-far", expected=f"at most {limit:,} bytes unpacked", found="more"
                    )
                text = decoder.decode(chunk, final=not chunk)
                if line == 1 and total <= CHUNK_BYTES:
                    text = text.removeprefix("\ufeff")
                held += text
                # A return at the very end may be half of a line's end.
                whole = held if not chunk or not held.endswith("\r") else held[:-1]
                tail = held[len(whole) :]
                whole = whole.replace("\r\n", "\n").replace("\r", "\n")
                end = whole.rfind("\n") + 1 if chunk else len(whole)
                if end:
                    yield line, whole[:end]
                    line += whole.count("\n", 0, end)
                held = whole[end:] + tail
                if len(held) > MAX_LINE_LETTERS:
                    raise InputError(
                        "line-too-long",
                        where=str(line),
                        expected=f"lines under {MAX_LINE_LETTERS:,} characters",
                        found="longer",
                    )
                if not chunk:
                    return
    except UnicodeError as error:
        raise InputError(
            "wrong-encoding", expected=encoding, found=f"{shorten(error)} after line {line}"
        ) from error
    except (OSError, EOFError, zlib.error) as error:
        raise InputError("damaged-file", expected="a whole file", found=shorten(error)) from error


def _decoder(encoding: str) -> codecs.IncrementalDecoder:
    try:
        found = codecs.lookup(encoding)
        if (
            found.name.replace("-", "_") not in _NO_ENCODINGS
            and found._is_text_encoding
            and found.incrementaldecoder
        ):
            return found.incrementaldecoder("strict")
    except (LookupError, ValueError, TypeError):
        pass
    raise InputError(
        "unknown-encoding", expected="an encoding such as utf-8, utf-16, latin-1", found=shorten(encoding)
    )


@dataclass(frozen=True)
class _Table:
    """The columns of a file and how to tell its fields apart."""

    names: tuple[str, ...]
    delimiter: str
    blanks: bool

    def parse(self, text: str, line: int) -> Block:
        """Whole lines as a block."""
        if self.blanks:
            text = "\n".join(_BLANKS.sub(_SEPARATOR, row.strip(" \t")) for row in text.split("\n"))
        return self._at_once(text, line) or self._by_line(text, line)

    def _at_once(self, text: str, line: int) -> Block | None:
        """All rows at once; None where one needs a closer look."""
        if len(text) <= SMALL and '"' not in text:
            return self._by_splitting(text, line)
        n_lines = text.count("\n") + (not text.endswith("\n"))
        places = [str(at) for at in range(len(self.names))]
        content = text.encode("utf-8", "replace")
        try:
            table = pacsv.read_csv(
                pa.py_buffer(content),
                read_options=pacsv.ReadOptions(column_names=places, block_size=len(content) + 1),
                parse_options=pacsv.ParseOptions(delimiter=self.delimiter),
                convert_options=pacsv.ConvertOptions(
                    column_types=dict.fromkeys(places, pa.string()), strings_can_be_null=False
                ),
            )
        except (pa.ArrowInvalid, ValueError):
            return None
        if len(table) != n_lines:
            return None
        return Block(table.rename_columns(list(self.names)), np.arange(line, line + n_lines))

    def _by_splitting(self, text: str, line: int) -> Block | None:
        """All rows of a small text without quotes at once; None where one needs a closer look."""
        width = len(self.names)
        rows = [row.split(self.delimiter) for row in text.removesuffix("\n").split("\n")]
        if any(len(row) != width for row in rows) or (width == 1 and any(not row[0].strip() for row in rows)):
            return None
        columns = [pa.array(column, pa.string()) for column in zip(*rows, strict=True)]
        return Block(pa.Table.from_arrays(columns, names=list(self.names)), np.arange(line, line + len(rows)))

    def _by_line(self, text: str, line: int) -> Block:
        rows, lines, broken = [], [], []
        for at, row in enumerate(text.split("\n")):
            if not row.strip():
                continue
            fields = split_fields(row, self.delimiter)
            if len(fields) == len(self.names) + 1 and not fields[-1].strip():
                fields.pop()
            sound = len(fields) == len(self.names)
            rows.append(fields if sound else [None] * len(self.names))
            lines.append(line + at)
            broken.append(not sound)
        columns = [pa.array([row[at] for row in rows], pa.string()) for at in range(len(self.names))]
        return Block(
            pa.Table.from_arrays(columns, names=list(self.names)),
            np.array(lines, dtype=np.int64),
            np.array(broken, dtype=bool),
        )


def split_fields(line: str, delimiter: str) -> list[str]:
    """The fields of one line, quotes taken off."""
    try:
        return next(csv.reader([line], delimiter=delimiter, strict=True), [])
    except csv.Error:
        return line.split(delimiter)


def _make_table(names_line: str, rest: str, layout: FileLayout) -> _Table:
    blanks = layout.delimiter == "space"
    delimiter = "\t" if layout.delimiter in ("tab", "space") else layout.delimiter

    def fields(line: str) -> list[str]:
        return split_fields(_BLANKS.sub(_SEPARATOR, line.strip(" \t")) if blanks else line, delimiter)

    first = fields(next(row for row in rest.split("\n") if row.strip()))
    names = [name.strip() for name in fields(names_line)] if layout.names_line else []
    if not layout.names_line:
        names = [f"#{at}" for at in range(1, len(first) + 1)]
    # A delimiter at the end of every row, or of the names alone, makes no column.
    if len(first) == len(names) + 1 and not first[-1].strip():
        names.append("")
    elif len(names) == len(first) + 1 and not names[-1]:
        names.pop()
    if len(names) > MAX_COLUMNS:
        raise InputError("too-many-columns", expected=f"at most {MAX_COLUMNS:,}", found=f"{len(names):,}")
    return _Table(tuple(names), delimiter, blanks)
