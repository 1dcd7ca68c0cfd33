"""How the table stands in a file: reader, encoding, delimiter, decimal mark, the lines above the samples, the sheet."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import msgspec
import pyarrow as pa
import pyarrow.parquet as pq

from faultml.errors import InputError
from faultml.importing.hdf5_file import tables_in
from faultml.importing.layout import FileLayout
from faultml.importing.motion_file import read_header
from faultml.importing.propose.source import Doubt, Guess, Table
from faultml.importing.propose.words import load_words
from faultml.importing.readers import read_blocks
from faultml.importing.spreadsheet import MAX_COLUMNS, open_book
from faultml.importing.text import open_bytes, split_fields
from faultml.recordings.problems import shorten

HEAD_BYTES: Final = 200_000
MAX_HEAD_LINES: Final = 400
MAX_SHEETS: Final = 50
MIN_ROWS: Final = 5
WIDE: Final = 60
"""A table of so many columns may hold a swing a row."""

_DELIMITERS: Final = (",", ";", "tab", "|", "space")
_IN_WORDS: Final = {",": "commas", ";": "semicolons", "tab": "tabs", "|": "bars", "space": "blanks"}
_BLANKS = re.compile(r"[ \t]+")
_NUMBER: Final = {
    ".": re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"),
    ",": re.compile(r"[+-]?(?:\d+,?\d*|,\d+)(?:[eE][+-]?\d+)?"),
}
_FRACTION: Final = {mark: re.compile(rf"[+-]?\d*{re.escape(mark)}\d+(?:[eE][+-]?\d+)?") for mark in ".,"}
_GROUPED: Final = {
    mark: rf"[+-]?\d{{{{1,3}}}}(?:{again}\d{{{{3}}}})+(?:{{decimal}}\d*)?"
    for mark, again in ((",", ","), (".", r"\."), ("'", "['\u2019]"), (" ", "[ \u00a0\u202f\u2009]"))
}
"""Numbers with a mark between thousands, by the mark."""
_LOST: Final = frozenset({"", "nan", "na", "n/a", "null", "none", "-"})
_LIST_MARKS: Final = (" ", ";", "|", ",")
_MIN_IN_LIST: Final = 10

Cells = list[list[str]]


def sniff(path: Path) -> Table:
    """How the table stands in a file, by its content.

    Raises
    ------
    InputError
        ``unreadable``, ``empty-file``, ``not-a-table``, or what a reader says of a damaged file.
    """
    try:
        with open_bytes(path) as stream:
            head = stream.read(HEAD_BYTES)
    except (OSError, EOFError) as error:
        raise InputError(
            "unreadable", where=str(path), expected="a whole file", found=shorten(error)
        ) from error
    if not head.strip():
        raise InputError("empty-file", where=str(path), expected="a table", found="nothing")
    if head.startswith(b"PAR1"):
        return _parquet(path)
    if head.startswith(b"ARROW1"):
        return _listed(path, "feather", "it begins as a Feather file does")
    if head.startswith(b"\x89HDF\r\n\x1a\n"):
        return _hdf5(path)
    if path.suffix.lower() == ".c3d" and head[1:2] == b"\x50":
        return Table(FileLayout(reader="c3d"), [_reader("c3d", "it begins as a C3D file does")])
    if head.startswith(b"PathFileType"):
        raise _markers(path, head)
    if head.lstrip(b"\xef\xbb\xbf \t\r\n")[:1] in (b"{", b"["):
        return _listed(path, "jsonl", "its lines are JSON objects")
    if head.startswith(b"PK\x03\x04"):
        return _spreadsheet(path)
    if b"endheader" in head.lower() and path.suffix.lower() in (".sto", ".mot"):
        return _motion(path)
    return _text(path, head)


def _reader(name: str, reason: str) -> Guess:
    return Guess("file.reader", name, "sure", reason)


def _parquet(path: Path) -> Table:
    try:
        schema = pq.read_schema(path)
    except (pa.ArrowException, OSError) as error:
        raise InputError(
            "damaged-file", where=str(path), expected="a whole Parquet file", found=shorten(error)
        ) from error
    lists = any(pa.types.is_nested(column.type) for column in schema)
    shape = "lists" if lists else "rows"
    guesses = [_reader("parquet", "it begins as a Parquet file does")]
    if lists:
        guesses.append(Guess("file.shape", shape, "sure", "samples stand in list columns: a row is a swing"))
    return Table(FileLayout(reader="parquet", shape=shape), guesses)  # type: ignore[arg-type]


def _listed(path: Path, reader: str, reason: str) -> Table:
    """A file whose first block says whether its samples stand in lists."""
    layout, guesses = FileLayout(reader=reader), [_reader(reader, reason)]
    block = next(read_blocks(path, layout), None)
    if block is not None and any(pa.types.is_nested(column.type) for column in block.table.schema):
        guesses.append(Guess("file.shape", "lists", "sure", "samples stand in lists: a row is a swing"))
        layout = msgspec.structs.replace(layout, shape="lists")
    return Table(layout, guesses)


def _hdf5(path: Path) -> Table:
    names = tables_in(path)
    guesses = [_reader("hdf5", "it begins as an HDF5 file does")]
    if not names:
        raise InputError(
            "not-a-table", where=str(path), expected="a group of columns or a table", found="none"
        )
    longest = max(names, key=lambda name: names[name])
    if len(names) > 1:
        reason = f"{len(names)} tables; this one holds the most numbers"
        guesses.append(Guess("file.sheet", longest, "likely", reason))
    return Table(FileLayout(reader="hdf5", sheet=longest if len(names) > 1 else ""), guesses)


def _markers(path: Path, head: bytes) -> InputError:
    """A TRC file holds markers and nothing else."""
    lines = head.decode("utf-8", "replace").split("\n")
    names = [name.strip() for name in lines[3].split("\t")[2:] if name.strip()] if len(lines) > 3 else []
    found = (
        f"a TRC file: positions of {len(names)} markers ({', '.join(names[:4])}); export joint angles instead"
    )
    return InputError("no-angles", where=str(path), expected="angles or quaternions", found=shorten(found))


def _motion(path: Path) -> Table:
    header, _ = read_header(path)
    return Table(
        FileLayout(reader="motion"),
        [_reader("motion", "a header of an open motion file, up to 'endheader'")],
        [f"{key}={value}" for key, value in header.items()],
    )


def _spreadsheet(path: Path) -> Table:
    book = open_book(path)
    try:
        sheets = {}
        for sheet in book.worksheets[:MAX_SHEETS]:
            sheet.reset_dimensions()
            rows = sheet.iter_rows(max_row=MAX_HEAD_LINES, max_col=MAX_COLUMNS, values_only=True)
            sheets[sheet.title] = [["" if cell is None else str(cell) for cell in row] for row in rows]
    finally:
        book.close()
    filled = {title: sum(_n_numbers(row, ".") for row in rows) for title, rows in sheets.items()}
    if not filled or not max(filled.values()):
        raise InputError("not-a-table", where=str(path), expected="a sheet of numbers", found="none")
    title = max(filled, key=lambda each: filled[each])
    guesses = [_reader("spreadsheet", "it is packed as a spreadsheet is")]
    if len(sheets) > 1:
        others = sorted(count for name, count in filled.items() if name != title)
        doubt = "sure" if others[-1] * 10 < filled[title] else "likely"
        reason = f"{len(sheets)} sheets; this one holds the most numbers"
        guesses.append(Guess("file.sheet", title, doubt, reason))  # type: ignore[arg-type]
    cells = [[cell.strip() for cell in row] for row in sheets[title]]
    while cells and not any(cells[-1]):
        cells.pop()
    width = max((len(row) for row in cells), default=0)
    used = max(at for row in cells for at, cell in enumerate(row + [""] * (width - len(row)), 1) if cell)
    cells = [row[:used] + [""] * (used - len(row)) for row in cells]
    layout = FileLayout(reader="spreadsheet", sheet=title if len(sheets) > 1 else "")
    return _stand(layout, guesses, cells, [" ".join(filter(None, row)) for row in cells], ".", path)


def _text(path: Path, head: bytes) -> Table:
    encoding, reason = _encoding(head, path)
    text = head.decode(encoding, "replace").removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n")
    lines = text.split("\n")
    if len(head) == HEAD_BYTES and len(lines) > 1:
        lines.pop()
    lines = lines[:MAX_HEAD_LINES]
    (delimiter, decimal), cells = _delimiter(lines, path)
    layout = FileLayout(reader="text", encoding=encoding, delimiter=delimiter, decimal=decimal)  # type: ignore[arg-type]
    guesses = [
        _reader("text", "plain text"),
        Guess("file.encoding", encoding, "likely" if encoding == "cp1252" else "sure", reason),
        Guess(
            "file.delimiter", delimiter, "sure", f"{_IN_WORDS[delimiter]} part every row into as many numbers"
        ),
    ]
    if decimal == ",":
        guesses.append(Guess("file.decimal", ",", "sure", "numbers are written as 1,5"))
    thousands = _thousands(cells, decimal)
    if thousands is not None:
        guesses.append(thousands)
        layout = msgspec.structs.replace(layout, thousands=str(thousands.value))
    return _stand(layout, guesses, cells, lines, decimal, path)


def _thousands(cells: Cells, decimal: str) -> Guess | None:
    """The mark between thousands, where cells are numbers with it and none without."""
    for mark, written in _GROUPED.items():
        if mark == decimal:
            continue
        pattern = re.compile(written.format(decimal=re.escape(decimal)))
        found = [
            cell
            for row in cells
            for cell in row
            if pattern.fullmatch(cell) and not _NUMBER[decimal].fullmatch(cell)
        ]
        if len(found) >= MIN_ROWS:
            is_clear = any(decimal in cell or cell.count(mark) > 1 for cell in found) or mark in "' "
            doubt: Doubt = "sure" if is_clear else "likely"
            return Guess("file.thousands", mark, doubt, f"{len(found)} numbers are written as {found[0]}")
    return None


def _encoding(head: bytes, path: Path) -> tuple[str, str]:
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16", "it begins with the mark of UTF-16"
    if head[1::2].count(0) > len(head) / 5 and not head[::2].count(0):
        return "utf-16-le", "every second byte is zero"
    if head[::2].count(0) > len(head) / 5 and not head[1::2].count(0):
        return "utf-16-be", "every second byte is zero"
    if b"\0" in head:
        raise InputError(
            "not-a-table", where=str(path), expected="text, a spreadsheet or Parquet", found="bytes"
        )
    try:
        head[: head.rfind(b"\n") + 1].decode("utf-8") if len(head) == HEAD_BYTES else head.decode("utf-8")
    except UnicodeDecodeError:
        return "cp1252", "not UTF-8, and every byte is a letter of the Western European table"
    return "utf-8", "every byte fits"


def _fields(line: str, delimiter: str) -> list[str]:
    if delimiter == "space":
        line, delimiter = _BLANKS.sub("\t", line.strip(" \t")), "tab"
    return [cell.strip() for cell in split_fields(line, "\t" if delimiter == "tab" else delimiter)]


def _delimiter(lines: Sequence[str], path: Path) -> tuple[tuple[str, str], Cells]:
    """The delimiter and decimal mark that make the most numbers of the rows, all of one length."""
    best, most, kept = ("", ""), 0.0, []
    for delimiter in _DELIMITERS:
        cells = [_fields(line, delimiter) for line in lines]
        widths = Counter(len(row) for row in cells if len(row) > 1)
        if not widths:
            continue
        width = max(widths, key=lambda each: widths[each] * each)
        rows = [row for row in cells if abs(len(row) - width) <= 1]
        for decimal in (".", ",") if delimiter != "," else (".",):
            numbers = sum(_n_numbers(row, decimal) for row in rows)
            fractions = sum(bool(_FRACTION[decimal].fullmatch(cell)) for row in rows for cell in row)
            score = numbers + 0.01 * fractions + sum(_n_listed(row, decimal, delimiter) for row in rows)
            # Words above the table hold blanks too: these must do clearly better than a delimiter.
            if score > most * (1.2 if delimiter == "space" else 1.0):
                best, most, kept = (delimiter, decimal), score, cells
    if not most:
        raise InputError("not-a-table", where=str(path), expected="rows of numbers", found=shorten(lines[0]))
    return best, kept


def _n_numbers(row: Sequence[str], decimal: str) -> int:
    return sum(bool(_NUMBER[decimal].fullmatch(cell)) for cell in row)


def _n_listed(row: Sequence[str], decimal: str, delimiter: str) -> int:
    return sum(_list_mark(cell, decimal, delimiter) != "" for cell in row) * _MIN_IN_LIST


def _list_mark(cell: str, decimal: str, delimiter: str) -> str:
    """What parts the numbers of a cell that holds a list of them, else ""."""
    if len(cell) < 2 * _MIN_IN_LIST:
        return ""
    for mark in _LIST_MARKS:
        parts = cell.split(mark) if mark not in (decimal, delimiter) else []
        if len(parts) >= _MIN_IN_LIST and all(
            _NUMBER[decimal].fullmatch(part.strip()) for part in parts[:50]
        ):
            return mark
    return ""


def _stand(
    layout: FileLayout, guesses: list[Guess], cells: Cells, lines: Sequence[str], decimal: str, path: Path
) -> Table:
    """Which lines hold names, units and samples."""
    listed = [_list_mark(cell, decimal, layout.delimiter) for row in cells for cell in row]
    mark = next(filter(None, listed), "")
    value = [_n_numbers(row, decimal) + _n_listed(row, decimal, layout.delimiter) for row in cells]
    widths = Counter(len(row) for row, n in zip(cells, value, strict=True) if n)
    if not widths:
        raise InputError("not-a-table", where=str(path), expected="rows of numbers", found="none")
    width = max(widths, key=lambda each: widths[each] * each)
    typical = sorted(n for row, n in zip(cells, value, strict=True) if len(row) == width)[-1]
    first = next(
        at
        for at, (row, n) in enumerate(zip(cells, value, strict=True))
        if abs(len(row) - width) <= 1 and n >= 0.5 * typical and n
    )
    rest = [n for row, n in zip(cells[first:], value[first:], strict=True) if any(row)]
    if sum(n >= 0.5 * typical for n in rest) < max(0.5 * len(rest), 1 if mark or width >= WIDE else MIN_ROWS):
        raise InputError("not-a-table", where=str(path), expected="rows of numbers", found="mostly words")
    above = [at for at in range(first) if any(cells[at])]
    units: list[str] = []
    names = above.pop() if above and _could_be_names(cells[above[-1]], width, decimal) else -1
    if names >= 0 and _are_units(cells[names]):
        under = above.pop() if above and _could_be_names(cells[above[-1]], width, decimal) else -1
        if under >= 0:
            units, names = [cell.strip("[]() ") for cell in cells[names]], under
    change: dict[str, object] = {"names_line": names + 1}
    if names < 0:
        guesses.append(Guess("file.names_line", 0, "likely", "the samples begin without a row of names"))
    elif names:
        guesses.append(Guess("file.names_line", names + 1, "sure", f"{names} lines stand above the names"))
    if names >= 0 and first != names + 1:
        what = "a row of units stands below the names" if units else "what is above holds no samples"
        guesses.append(Guess("file.first_line", first + 1, "sure", what))
        change["first_line"] = first + 1
    if names < 0 and first:
        guesses.append(Guess("file.first_line", first + 1, "sure", "what is above holds no samples"))
        change["first_line"] = first + 1
    if mark:
        guesses.append(Guess("file.shape", "lists", "sure", "cells hold lists of numbers: a row is a swing"))
        change["shape"] = "lists"
        if mark != " ":
            guesses.append(Guess("file.list_delimiter", mark, "sure", f"{mark!r} parts them"))
        change["list_delimiter"] = mark
    preamble = [line for at, line in enumerate(lines[:first]) if at != names]
    return Table(msgspec.structs.replace(layout, **change), guesses, preamble, units)


def _could_be_names(row: Sequence[str], width: int, decimal: str) -> bool:
    filled = [cell for cell in row if cell]
    return (
        abs(len(row) - width) <= 1
        and len(filled) >= min(2, width)
        and 2 * len(filled) > width
        and not _n_numbers(filled, decimal)
    )


def _are_units(row: Sequence[str]) -> bool:
    """Whether a row below the names holds units rather than names."""
    unit_of = load_words().unit_of
    filled = [cell.strip("[]() ").casefold() for cell in row if cell.strip("[]() ")]
    known = sum(cell in unit_of or cell in _LOST for cell in filled)
    return not filled or known >= 0.6 * len(filled)
