"""Cells of ``roster.csv`` changed one at a time; every other cell and column of the file stays as it is."""

from __future__ import annotations

import csv
from collections.abc import Callable
from io import StringIO
from pathlib import Path
from typing import Final

from faultml.errors import InputError
from faultml.recordings.roster import ROSTER_COLUMNS, read_roster
from faultml.results.folders import replaced_file

EDITED: Final = ("hand", "level", "usual_miss", "lessons")
"""Columns that are edited here; what is said about a body goes into the store with its date."""

Row = dict[str, str]


def set_cells(path: Path, player: str, cells: dict[str, str]) -> None:
    """Set cells of a player's last row, or add a row; the file is made where there is none.

    Raises
    ------
    InputError
        ``bad-roster`` where the file cannot be read, or would say something that cannot be read.
    """

    def change(rows: list[Row]) -> None:
        own = [row for row in rows if row.get("player", "") == player]
        if not own:
            own = [{"player": player}]
            rows += own
        own[-1].update(cells)

    _rewrite(path, change, list(cells))


def rename_in_roster(path: Path, name: str, player: str) -> None:
    """Give a name's rows to a recorded player; raises as `set_cells`."""

    def change(rows: list[Row]) -> None:
        for row in rows:
            if row.get("player", "").strip() == name:
                row["player"] = player

    _rewrite(path, change, [])


def row_of(path: Path, player: str) -> Row:
    """The cells of a player's last row as they are written; empty where there is none."""
    own = [row for row in _read(path)[1] if row.get("player", "").strip() == player]
    return own[-1] if own else {}


def _rewrite(path: Path, change: Callable[[list[Row]], None], needed: list[str]) -> None:
    names, rows, delimiter = _read(path)
    before = len(read_roster(path).problems) if path.exists() else 0
    change(rows)
    names += [name for name in ("player", *needed) if name not in names]
    with replaced_file(path, ".csv") as part:
        with part.open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, names, delimiter=delimiter, restval="", extrasaction="ignore")
            writer.writeheader()
            writer.writerows(rows)
        read = read_roster(part)
        if read.unreadable or len(read.problems) > before:
            problem = read.problems[-1]
            raise InputError("bad-roster", where=path.name, expected=problem.expected, found=problem.found)


def _read(path: Path) -> tuple[list[str], list[Row], str]:
    """Names of the columns in small letters, rows, and the delimiter."""
    if not path.exists():
        return list(ROSTER_COLUMNS), [], ","
    if read_roster(path).unreadable:
        raise InputError(
            "bad-roster", where=path.name, expected="a roster that can be read", found="another file"
        )
    text = path.read_text(encoding="utf-8-sig")
    first = text.partition("\n")[0]
    delimiter = max(",;\t", key=first.count)
    reader = csv.DictReader(StringIO(text), delimiter=delimiter)
    names = [(name or "").strip().lower() for name in reader.fieldnames or ()]
    reader.fieldnames = names
    return (
        names,
        [
            {
                name: cell or ""
                for name, cell in row.items()
                if isinstance(name, str) and not isinstance(cell, list)
            }
            for row in reader
        ],
        delimiter,
    )
