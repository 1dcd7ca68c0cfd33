"""Sheets that a person fills in with a spreadsheet: CSV, read with care, errors reported row by row."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from io import StringIO
from pathlib import Path
from typing import Final, NamedTuple

import pandas as pd

from faultml.errors import InputError
from faultml.results.folders import replaced_file
from faultml.results.tables import ESCAPED, Schema, TableWriter

MAX_BYTES: Final = 50_000_000
MAX_CELL: Final = 100_000
_MAX_SHOWN: Final = 80
_UNESCAPE: Final = re.compile(ESCAPED)
_DECLARED_DELIMITER: Final = re.compile(r"sep=([,;\t])", re.IGNORECASE)
"""A first line that tells some spreadsheets what parts the cells."""


class SheetRow(NamedTuple):
    """A filled row: the line it ends on (the header is line 1) and its cells by column, "" where empty."""

    line: int
    cells: dict[str, str]


class SheetProblem(NamedTuple):
    """What is wrong in one row of a sheet."""

    line: int
    column: str
    expected: str
    found: str

    def __str__(self) -> str:
        column = f", {self.column}" if self.column else ""
        found = self.found if len(self.found) <= _MAX_SHOWN else self.found[:_MAX_SHOWN] + "..."
        return f"row {self.line}{column}: expected {self.expected}, found {found!r}"


class Sheet(NamedTuple):
    """The rows of a sheet that can be read, and what is wrong with the others."""

    rows: list[SheetRow]
    problems: list[SheetProblem]


def read_sheet(path: Path, columns: Sequence[str], needed: Sequence[str], *, others: bool = True) -> Sheet:
    """Read a sheet as a spreadsheet leaves it: commas, semicolons or tabs, columns in any order, blank rows.

    Cells stay text, as they are but for the apostrophe that keeps a spreadsheet from running one.

    Parameters
    ----------
    path
        The file, UTF-8.
    columns
        What to take; a column that is not there is empty in each row, any other is passed over.
    needed
        Which of them must be there.
    others
        Whether the sheet may have further columns.

    Raises
    ------
    InputError
        ``unreadable``, ``too-large``, ``not-utf-8``, ``damaged-file``, ``missing-column``, ``doubled-column``,
        ``unknown-column``.
    """
    text = _text(path)
    first = text.partition("\n")[0]
    declared = _DECLARED_DELIMITER.fullmatch(first.strip())
    delimiter = declared[1] if declared else max(",;\t", key=first.count)
    rows = csv.reader(StringIO(text, newline=""), delimiter=delimiter)
    sheet = Sheet([], [])
    try:
        if declared:
            next(rows)
        names = _names(path, next(rows, []), columns, needed)
        unknown = [name for name in names if name not in columns]
        if unknown and not others:
            found = ", ".join(name or "a column without a name" for name in unknown)[:_MAX_SHOWN]
            raise InputError(
                "unknown-column", where=str(path), expected=f"no column but {', '.join(columns)}", found=found
            )
        for fields in rows:
            if not any(field.strip() for field in fields):
                continue
            if (len(fields) != len(names) and any(fields[len(names) :])) or len(fields) < len(names):
                wrong = SheetProblem(rows.line_num, "", f"{len(names)} fields", f"{len(fields)} fields")
                sheet.problems.append(wrong)
                continue
            cells = dict.fromkeys(columns, "")
            cells |= {
                name: _UNESCAPE.sub(r"\1", field)
                for name, field in zip(names, fields, strict=False)
                if name in cells
            }
            sheet.rows.append(SheetRow(rows.line_num, cells))
    except csv.Error as error:
        where = f"{path}, row {rows.line_num}"
        raise InputError("damaged-file", where=where, expected="CSV", found=str(error)) from error
    return sheet


def write_sheet(frame: pd.DataFrame, path: Path, schema: Schema) -> None:
    """Write a frame as such a sheet, whole or not at all; `read_sheet` reads the same cells back.

    Raises
    ------
    InputError
        ``not-writable``, or where the frame does not fit, see `TableWriter.append`.
    """
    with replaced_file(path, ".csv") as part:
        writer = TableWriter(part, schema)
        try:
            writer.append(frame)
        finally:
            writer.close()


def _text(path: Path) -> str:
    try:
        with path.open("rb") as stream:
            content = stream.read(MAX_BYTES + 1)
    except OSError as error:
        raise InputError("unreadable", where=str(path), found=error.strerror or str(error)) from error
    if len(content) > MAX_BYTES:
        raise InputError("too-large", where=str(path), expected=f"at most {MAX_BYTES:,} bytes", found="more")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        found = f"byte 0x{content[error.start]:02x} at {error.start}"
        raise InputError(
            "not-utf-8", where=str(path), expected="UTF-8, as a spreadsheet saves CSV UTF-8", found=found
        ) from error


def _names(path: Path, written: list[str], columns: Sequence[str], needed: Sequence[str]) -> list[str]:
    names = [name.strip().casefold() for name in written]
    missing = [name for name in needed if name not in names]
    if missing:
        found = ", ".join(written)[:_MAX_SHOWN] or "nothing"
        raise InputError("missing-column", where=str(path), expected=", ".join(missing), found=found)
    doubled = [name for name in columns if names.count(name) > 1]
    if doubled:
        raise InputError(
            "doubled-column", where=str(path), expected="each column once", found=", ".join(doubled)
        )
    return names
