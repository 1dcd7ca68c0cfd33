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

_DATE: Final = re.compile(r"\(?\b(\d{4}-\d{2}-\d{2})\b\)?")
_EARLIEST_YEAR: Final = 1900


class PainWords(Record, frozen=True):
    """Words of the pain cell."""

    none: tuple[str, ...]
    returned: tuple[str, ...]
    not_read: tuple[str, ...]
    known: tuple[str, ...]
    red_flags: tuple[str, ...]


class AnswerWords(Record, frozen=True):
    """Words of the cells that answer yes or no."""

    yes: tuple[str, ...]
    no: tuple[str, ...]


class LevelWords(Record, frozen=True):
    """Words of the level that mean a beginner."""

    beginner: tuple[str, ...]


class CellWords(Record, frozen=True):
    """The content of `roster_cells.toml`."""

    schema: Literal[1]
    pain: PainWords
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
        Whether every word of it is known; pain in unknown words is reported.
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
    return PainCell("hurts", said, said_on, clear=bool(set(re.findall(r"\w+", word)) & set(words.known)))


def has_red_flag(said: str) -> bool:
    """Whether words about pain name what needs a clinician, such as numbness, swelling, a fall or a fracture."""
    return bool(set(re.findall(r"\w+", said.casefold())) & set(cell_words().pain.red_flags))


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


def is_beginner(value: object) -> bool:
    """Whether the level is a beginner's."""
    return cell_text(value).casefold() in cell_words().level.beginner


def _date(text: str) -> date | None:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None
