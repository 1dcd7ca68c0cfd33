"""Notes: a code and its figures as data, and how sure they leave one. Their sentences are made at the edge.

The sentences are data (`notes.toml`). Each placeholder names its figure and the kind in which it is written:
``{rate:share}`` is a percentage, ``{cause:fault}`` a fault's name. `note_rules` decides who gets which note.
"""

from __future__ import annotations

import string
from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import Any, Final, Literal

import msgspec

from faultml.coaching.rules import Coaching
from faultml.rules_file import Record, load_data

Confidence = Literal["high", "moderate", "low"]
Figure = int | float | str | tuple[str, ...] | dict[str, float]
"""A number, a code, several codes, or degrees by channel."""

STEPS: Final[tuple[Confidence, ...]] = ("high", "moderate", "low")
DECIMALS: Final = 6
SHARED: Final = {"amount": ("unit",), "number": ("unit",), "balls": ("miss", "known", "straight")}
"""Figures that a kind needs beside its own."""

WEAK: Final = "weak-finding"
"""Code of the note that there is too little in a finding to train."""

CHANNEL_WORDS: Final = {
    "flexion_deg": "flexion",
    "ulnar_deg": "ulnar deviation",
    "pronation_deg": "forearm rotation",
}


class Note(Record, frozen=True):
    """A note with its figures; `figures` holds exactly what the note's sentence asks for."""

    code: str
    figures: dict[str, Figure] = msgspec.field(default_factory=dict)

    @property
    def lowers(self) -> int:
        """By how many steps the note lowers the confidence in the finding."""
        return wordings()[self.code].lowers


class Wording(Record, frozen=True):
    """A note as written: `text` has its figures in braces, `lowers` is in steps of confidence."""

    code: str
    text: str
    lowers: Literal[0, 1, 2] = 0

    @property
    def figures(self) -> frozenset[str]:
        """The figures the sentence needs, those that a kind needs besides included."""
        fields = [(name, kind) for _, name, kind, _ in string.Formatter().parse(self.text) if name]
        shared = {name for _, kind in fields for name in SHARED.get(kind or "", ())}
        return frozenset({name for name, _ in fields} | shared)


class MissWords(Record, frozen=True):
    """A miss in words: the habit, what a single ball was, and what several were."""

    noun: str
    one: str
    many: str


class _NotesFile(Record, frozen=True):
    schema: Literal[1]
    reasons: dict[str, str]
    misses: dict[str, MissWords]
    note: tuple[Wording, ...]


@lru_cache(maxsize=1)
def _file() -> _NotesFile:
    return load_data(__package__, "notes.toml", _NotesFile)


@lru_cache(maxsize=1)
def wordings() -> dict[str, Wording]:
    """All notes by code."""
    return {entry.code: entry for entry in _file().note}


def reasons() -> dict[str, str]:
    """What can speak for or against a drill, by code, in words."""
    return _file().reasons


def write(code: str, **figures: Figure) -> Note:
    """The note of a code; raises `KeyError` for an unknown code, a missing figure or one too many.

    Figures are kept to six decimals: sums taken in another order differ in later ones.
    """
    odd = wordings()[code].figures.symmetric_difference(figures)
    if odd:
        raise KeyError(f"{code}: {', '.join(sorted(odd))}")
    return Note(code=code, figures={name: _rounded(figure) for name, figure in figures.items()})


def _rounded(figure: Figure) -> Figure:
    if isinstance(figure, dict):
        return {name: round(value, DECIMALS) for name, value in figure.items()}
    return round(figure, DECIMALS) if isinstance(figure, float) else figure


def confidence(notes: Iterable[Note]) -> Confidence:
    """How sure the notes leave one of the finding."""
    return STEPS[min(sum(note.lowers for note in notes), len(STEPS) - 1)]


def note_text(note: Note, coaching: Coaching) -> str:
    """A note's sentence, with the names of faults and drills in it."""
    text = _Sentence(note, coaching).format(wordings()[note.code].text, **note.figures)
    return text[:1].upper() + text[1:]


class _Sentence(string.Formatter):
    """Writes each figure of a note in its kind."""

    def __init__(self, note: Note, coaching: Coaching) -> None:
        self._figures = note.figures
        self._unit = str(note.figures.get("unit", "deg"))
        self._coaching = coaching

    def format_field(self, value: Any, kind: str) -> str:
        """One figure in words."""
        match kind:
            case "share":
                return percent(value)
            case "deg":
                return size(value, "deg")
            case "amount":
                return size(value, self._unit)
            case "number":
                digits = 0 if self._unit == "deg" else 2
                return f"{round(value, digits) + 0.0:.{digits}f}"  # + 0.0: no "-0"
            case "sessions":
                return count(value, "session")
            case "fault":
                return self._coaching.words[value]
            case "faults":
                return listed([self._coaching.words[fault] for fault in value])
            case "drill":
                return self._coaching.book[value].name
            case "reason":
                return reasons()[value] if value else ""
            case "reasons":
                return listed(sorted(reasons()[code] for code in value))
            case "miss":
                return miss_noun(value)
            case "misses":
                return listed([miss_noun(miss) for miss in value])
            case "balls":
                known, straight = (int(str(self._figures[name])) for name in ("known", "straight"))
                return ball_words(str(self._figures["miss"]), value, straight, known)
            case "findings":
                return listed([f"{n:.0f} have {reasons()[code]}" for code, n in value.items()])
            case "list":
                return listed(value)
            case "channels":
                return listed(
                    [f"{size(wide, 'deg')} of {CHANNEL_WORDS[name]}" for name, wide in value.items()]
                )
        return str(super().format_field(value, kind))


def miss_noun(miss: str) -> str:
    """A miss as a noun, ``thin shots``; "" is any miss."""
    words = _file().misses.get(miss)
    return words.noun if words else miss or "misses"


def ball_words(miss: str, n: int, straight: int, known: int) -> str:
    """``5 of 66 balls were pulls, 60 straight``."""
    words = _file().misses.get(miss, MissWords(noun=miss, one=miss, many=miss))
    return (
        f"{n} of {known} balls {f'was {words.one}' if n == 1 else f'were {words.many}'}, {straight} straight"
    )


def percent(share: float) -> str:
    """``87 %``."""
    return f"{100 * share:.0f} %"


def size(value: float, unit: str) -> str:
    """An amount with its unit: degrees, or a share of the downswing."""
    if unit != "deg":
        return f"{round(value, 2) + 0.0:.2f} of the downswing"
    if 0 < value < 0.5:
        return "less than 1 degree"
    return count(round(value), "degree")


def count(number: int, thing: str) -> str:
    """``1 session``, ``4 sessions``."""
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def listed(words: Sequence[str]) -> str:
    """``a, b and c``."""
    *first, last = list(words) or [""]
    return f"{', '.join(first)} and {last}" if first else last
