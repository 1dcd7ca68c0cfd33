"""Spreadsheets (.xlsx): values only, formulas as last computed; nothing in them is run or followed."""

from __future__ import annotations

import datetime as dt
import zipfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa

from faultml.errors import InputError, MissingExtraError
from faultml.importing.layout import FileLayout
from faultml.importing.packed import check_listing
from faultml.importing.readers import Block
from faultml.importing.text import MAX_ABOVE
from faultml.recordings.files import unpack_limit_bytes
from faultml.recordings.problems import shorten

BLOCK_ROWS: Final = 4096
MAX_ROWS: Final = 1_048_576
MAX_COLUMNS: Final = 5000
MAX_PARTS: Final = 5000
"""Files inside the file."""

INSTALL_LINE: Final = "pip install 'faultml[import]'"


class SpreadsheetReader:
    """Reader ``spreadsheet``."""

    def read(self, path: Path, layout: FileLayout) -> Iterator[Block]:
        """The table of one sheet, see `faultml.importing.readers.Reader.read`.

        Raises
        ------
        InputError
            ``not-a-spreadsheet``, ``unpacks-too-far``, ``no-such-sheet``, ``no-rows``.
        MissingExtraError
            Where openpyxl or defusedxml is not installed.
        """
        book = open_book(path)
        try:
            sheet = _sheet(book, layout.sheet)
            sheet.reset_dimensions()  # what a file says of its size may be wrong
            start = layout.first_line or layout.names_line + 1
            names = _names(sheet, layout, start)
            above = tuple(_above(sheet, layout, start))
            rows: list[Sequence[Any]] = []
            lines: list[int] = []
            n_blocks = 0
            cells = sheet.iter_rows(min_row=start, max_row=MAX_ROWS, max_col=len(names), values_only=True)
            for line, row in enumerate(cells, start):
                if any(cell is not None for cell in row):
                    rows.append(row)
                    lines.append(line)
                if len(rows) == BLOCK_ROWS:
                    yield _block(names, rows, lines, layout.decimal, above)
                    rows, lines, n_blocks = [], [], n_blocks + 1
            if rows:
                yield _block(names, rows, lines, layout.decimal, above)
            elif not n_blocks:
                raise InputError("no-rows", expected=f"samples from row {start} on", found="none")
        finally:
            book.close()


def open_book(path: Path) -> Any:
    """A workbook to be read row by row, once what it unpacks to is known to be bounded."""
    try:
        import defusedxml  # noqa: F401 - openpyxl reads XML by it where it is there: no entity bombs
        from openpyxl import load_workbook
    except ImportError as error:
        raise MissingExtraError(
            "missing-extra", expected=INSTALL_LINE, found=f"no {error.name}, which reads spreadsheets"
        ) from error
    try:
        with zipfile.ZipFile(path) as packed:
            parts = packed.infolist()
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError) as error:
        raise InputError("not-a-spreadsheet", expected="an .xlsx file", found=shorten(error)) from error
    check_listing(parts, unpack_limit_bytes(path.stat().st_size), MAX_PARTS)
    return load_workbook(path, read_only=True, data_only=True, keep_links=False)


def _sheet(book: Any, name: str) -> Any:
    sheets = {sheet.title: sheet for sheet in book.worksheets}
    if name in sheets:
        return sheets[name]
    if not name and len(sheets) == 1:
        return next(iter(sheets.values()))
    found = shorten(", ".join(sheets)) or "no sheet with cells"
    raise InputError(
        "no-such-sheet", expected=f"sheet {name!r}" if name else "file.sheet in the layout", found=found
    )


def _names(sheet: Any, layout: FileLayout, start: int) -> list[str]:
    line = layout.names_line or start
    row = next(sheet.iter_rows(min_row=line, max_row=line, max_col=MAX_COLUMNS, values_only=True), ())
    width = max((at for at, cell in enumerate(row, 1) if cell is not None), default=0)
    if not width:
        raise InputError("no-rows", expected=f"cells in row {line}", found="none")
    if not layout.names_line:
        return [f"#{at}" for at in range(1, width + 1)]
    return ["" if cell is None else str(cell).strip() for cell in row[:width]]


def _above(sheet: Any, layout: FileLayout, start: int) -> Iterator[str]:
    """The rows above the table as lines, cells parted by tabs."""
    for line, row in enumerate(
        sheet.iter_rows(max_row=min(start - 1, MAX_ABOVE), max_col=MAX_COLUMNS, values_only=True), 1
    ):
        if line != layout.names_line:
            cells = [_text(cell, layout.decimal) for cell in row if cell is not None]
            yield "\t".join(cells)


def _block(
    names: list[str], rows: list[Sequence[Any]], lines: list[int], decimal: str, above: tuple[str, ...]
) -> Block:
    columns = [
        _column([row[at] if at < len(row) else None for row in rows], decimal) for at in range(len(names))
    ]
    return Block(pa.Table.from_arrays(columns, names=names), np.array(lines, dtype=np.int64), above=above)


def _column(cells: list[Any], decimal: str) -> pa.Array:
    """Numbers or stamps where all cells are, else text."""
    given = [cell for cell in cells if cell is not None]
    if all(type(cell) in (int, float) for cell in given):
        try:
            return pa.array(cells, pa.float64())
        except (pa.ArrowInvalid, OverflowError):
            pass
    if all(isinstance(cell, dt.datetime) and cell.tzinfo is None for cell in given):
        return pa.array(cells, pa.timestamp("us"))
    return pa.array([None if cell is None else _text(cell, decimal) for cell in cells], pa.string())


def _text(cell: object, decimal: str) -> str:
    if isinstance(cell, float):
        return repr(cell).replace(".", decimal)
    return cell.isoformat() if isinstance(cell, dt.date | dt.time) else str(cell)
