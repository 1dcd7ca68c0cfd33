"""Rows of ``problems.csv``: what is wrong in the input, and where."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final, NamedTuple

import pandas as pd

MAX_TEXT_LETTERS: Final = 120
"""Longest piece of the input that a message repeats, characters."""


class Problem(NamedTuple):
    """One thing wrong in the input.

    `row` is the line of a CSV file (its header is line 1) or the row of a Parquet file (from 1); 0 where the
    whole file is meant.
    """

    file: str
    row: int
    player: str
    session: str
    swing: str
    code: str
    expected: str
    found: str


def file_problem(file: str, code: str, expected: str, found: str, row: int = 0) -> Problem:
    """A problem of a file as a whole, or of a row that belongs to no swing."""
    return Problem(file, row, "", "", "", code, expected, found)


def swing_problem(
    file: str, row: int, ids: Sequence[str | None], code: str, expected: str, found: str
) -> Problem:
    """A problem of one swing; what comes from the input is shortened."""
    player, session, swing = (shorten(part or "") for part in ids)
    return Problem(file, row, player, session, swing, code, expected, shorten(found))


def shorten(text: object) -> str:
    """Text from the input as a message may repeat it: one line, printable, of bounded length."""
    line = "".join(
        letter if letter.isprintable() else "\N{REPLACEMENT CHARACTER}"
        for letter in str(text)[: MAX_TEXT_LETTERS + 1]
    )
    return line if len(line) <= MAX_TEXT_LETTERS else line[:MAX_TEXT_LETTERS] + "..."


def problems_frame(problems: Iterable[Problem]) -> pd.DataFrame:
    """Problems as a table with the columns of ``problems.csv``; no `row` where the whole file is meant."""
    frame = pd.DataFrame(list(problems), columns=list(Problem._fields))
    frame["row"] = frame["row"].astype("Int64").replace(0, pd.NA)
    return frame
