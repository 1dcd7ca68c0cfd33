"""The table of changes as a file, to carry what drills have brought from one season into the next."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import pandas as pd

from faultml.errors import InputError
from faultml.outcomes.change import CHANGE_COLUMNS, FOUND_COLUMNS, NOT_MOVED
from faultml.results.folders import replaced_file
from faultml.results.tables import Kind, TableWriter, read_table

_TEXT: Final = ("player", "drill", "fault", "since", "verdict", "unit", "found_verdict")
_WHOLE: Final = (
    "before_swings", "before_sessions", "after_swings", "after_sessions", "retest_swings", "practice_swings",
)  # fmt: skip

SCHEMA: Final[dict[str, Kind]] = {
    name: "text" if name in _TEXT else "whole" if name in _WHOLE else "number" for name in CHANGE_COLUMNS
}


def write_changes(table: pd.DataFrame, path: Path) -> None:
    """Write a table of `changes` as Parquet or CSV, by the file's name; whole or not at all.

    Raises
    ------
    InputError
        ``unknown-format`` for another name, ``not-writable``.
    """
    with replaced_file(path, _suffix(path)) as part:
        writer = TableWriter(part, SCHEMA)
        try:
            writer.append(table)
        finally:
            writer.close()


def read_changes(path: Path) -> pd.DataFrame:
    """Read what `write_changes` wrote.

    Raises
    ------
    InputError
        ``unknown-format``, or where it is another table or cannot be read.
    """
    _suffix(path)
    try:
        return read_table(path, SCHEMA)
    except InputError:
        # Written before landmarks could be moved: nothing was moved then.
        older = {name: kind for name, kind in SCHEMA.items() if name not in FOUND_COLUMNS}
        return read_table(path, older).assign(**NOT_MOVED)[CHANGE_COLUMNS]


def _suffix(path: Path) -> str:
    if path.suffix not in (".parquet", ".csv"):
        raise InputError("unknown-format", where=str(path), expected="a name ending in .parquet or .csv")
    return path.suffix
