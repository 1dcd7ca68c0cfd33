"""The one reading of each cell of a roster: pain, yes-or-no answers, the year of birth, the level.

The words are data (`roster_cells.toml`). Nothing unknown is read as "no" or "none": an empty cell is unknown,
a word about pain that is not known counts as pain, and a history in other words than yes and no is a yes.
"""

from __future__ import annotations

import re
from datetime import date
from functools import lru_cache
from typing import Final, Literal, NamedTuple

import numpy as np
import pandas as pd

from faultml.rules_file import Record, load_data

HISTORIES: Final = ("ulnar_history", "thumb_history", "elbow_history", "nerve_history", "hamate_history")
"""Columns that ask about earlier trouble."""

NOT_READ: Final = "roster-not-read"
"""Stands for pain where the row, or the whole roster, could not be read: what it says of pain is not known."""

PainKind = Literal["unknown", "none", "returned", "hurts", "not-read"]

_PARTS: Final = re.compile(r"[\s,;:./()&+-]+")
_DATE: Final = re.compile(r"\(?\b(\d{4}-\d{2}-\d{2})\b\)?")
_EARLIEST_YEAR: Final = 1900


class PainWords(Record, frozen=True):
    """Words of the pain cell."""

    none: tuple[str, ...]
    returned: tuple[str, ...]
    not_read: tuple[str, ...]
    complaints: tuple[str, ...]
    elsewhere_begins: tuple[str, ...]
    elsewhere: tuple[str, ...]
    places: tuple[str, ...]
    beside: tuple[str, ...]


class ColumnWords(Record, frozen=True):
    """Names of columns that are passed over, and how the name of a note begins."""

    ignored: tuple[str, ...]
    note: str


class AnswerWords(Record, frozen=True):
    """Words of the cells that answer yes or no."""

    yes: tuple[str, ...]
    no: tuple[str, ...]


class LevelWords(Record, frozen=True):
    """Words of the level that mean a beginner, and those that mean somebody experienced."""

    beginner: tuple[str, ...]
    experienced: tuple[str, ...]


class CellWords(Record, frozen=True):
    """The content of `roster_cells.toml`."""

    schema: Literal[1]
    pain: PainWords
    columns: ColumnWords
    answers: AnswerWords
    level: LevelWords


class PainCell(NamedTuple):
    """What one pain cell says.

    Attributes
    ----------
    kind
        What it is.
    said
        Its text without the date.
    said_on
        The ISO date written in the cell, None where it bears none.
    clear
        Whether every word of it is understood; pain in other words is reported.
    """

    kind: PainKind
    said: str = ""
    said_on: date | None = None
    clear: bool = True


class Answer(NamedTuple):
    """A yes-or-no cell: the answer (None where unknown), and whether it was written as yes or no."""

    value: bool | None
    clear: bool = True


@lru_cache(maxsize=1)
def cell_words() -> CellWords:
    """The words of the package; raises `CatalogueError` where the file does not fit."""
    return load_data(__package__, "roster_cells.toml", CellWords)


def cell_text(value: object) -> str:
    """A cell as text without spaces around it, "" where nothing stands in it."""
    if value is None or (pd.api.types.is_scalar(value) and pd.isna(value)):
        return ""
    return str(value).strip()


def read_pain(value: object) -> PainCell:
    """What a pain cell says: ``none``, ``cleared`` or where it hurts, with an ISO date beside it or not."""
    text = cell_text(value)
    dates = [day for day in map(_date, _DATE.findall(text)) if day is not None]
    said = " ".join(_DATE.sub(" ", text).split()).strip(" ,;:") if dates else text
    said_on = max(dates, default=None)
    words, word = cell_words().pain, said.casefold()
    if not word:
        # A date alone says that something was noted, and not what.
        return PainCell("hurts", text, said_on, clear=False) if dates else PainCell("unknown")
    kinds: tuple[tuple[PainKind, tuple[str, ...]], ...] = (
        ("none", words.none),
        ("returned", words.returned),
        ("not-read", words.not_read),
    )
    for kind, known in kinds:
        if word in known:
            return PainCell(kind, said, said_on)
    return PainCell("hurts", said, said_on, clear=is_plain(said))


def is_plain(said: str) -> bool:
    """Whether words about pain are a plain complaint: there are some, and every one is on the closed list.

    All that is not parted by spaces and plain punctuation counts as a word, so that nothing is passed over.
    """
    words, found = cell_words().pain, {word for word in _PARTS.split(said.casefold()) if word}
    return bool(found) and found <= {*words.complaints, *words.places, *words.beside}


def names_complaint(said: str) -> bool:
    """Whether a text that should say something else holds a word of the closed lists of what speaks of a body."""
    pain = cell_words().pain
    words = set(re.findall(r"[^\W_]+", said.casefold()))
    return bool(words & {*pain.complaints, *pain.elsewhere}) or any(
        word.startswith(pain.elsewhere_begins) for word in words
    )


def is_passed_over(column: str) -> bool:
    """Whether a column, its name in small letters, is one that says nothing of a body: a known one, or a note."""
    words = cell_words().columns
    return column in words.ignored or (column.startswith(words.note) and column != words.note)


def read_answer(value: object) -> Answer:
    """Yes, no or unknown; any other text describes something, and that is a yes."""
    text = cell_text(value).casefold()
    if not text:
        return Answer(None)
    if isinstance(value, (bool, int, float, np.bool_, np.number)):
        return Answer(bool(value))
    words = cell_words().answers
    if text in words.no:
        return Answer(False)
    return Answer(True, clear=text in words.yes)


def read_birth_year(value: object) -> int | None:
    """The year of birth, None where the cell is empty or holds no year from 1900 on."""
    text = cell_text(value).removesuffix(".0")
    if not (text.isascii() and text.isdecimal() and len(text) == 4):
        return None
    year = int(text)
    return year if year >= _EARLIEST_YEAR else None


def read_experienced(value: object) -> bool | None:
    """Whether a level is that of somebody experienced (True) or of a beginner (False); None in any other words."""
    text, words = cell_text(value).casefold(), cell_words().level
    if text in words.beginner:
        return False
    return True if text in words.experienced else None


def more_careful_level(one: str, other: str) -> str:
    """Of two levels the one that allows less: a beginner's, then one that is not understood, else the other one.

    An empty one says nothing.
    """
    order = {False: 0, None: 1, True: 2}
    return min(filter(None, (other, one)), key=lambda level: order[read_experienced(level)], default="")


def _date(text: str) -> date | None:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None
