"""Guess which arm wore the recorder and which hand the golfer plays, from columns, names and the lines above."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

from faultml.importing.propose.angles import Found
from faultml.importing.propose.source import Guess, Source, open_guess
from faultml.importing.propose.words import load_words, side_in, tokens

_HANDED: Final = frozenset({"handed", "handedness", "plays", "dexterity", "haendigkeit", "dominant"})
_GOLFER: Final = frozenset({"golfer", "player", "stance", "bats"})
_ARM_QUESTION: Final = (
    'Which arm wore the recorder: left, right, or "lead" where it is always the lead arm'
    " (of angles the golfer's hand need not be known then)?"
)
_HAND_QUESTION: Final = 'Does the golfer play right- or left-handed ("roster": as the roster says)?'
_WORD = re.compile(r"[^\W\d_]+")


def stated_hand(source: Source) -> str:
    """The golfer's hand where the lines above the table tell it, else ""."""
    return _stated(source, "hand")[0]


def guess_worn(source: Source, found: Found) -> Iterator[Guess]:
    """``[worn]``."""
    column = _side_column(source, load_words().names.arm | {"side"}, load_words().names.hand - {"hand"})
    stated, line = _stated(source, "arm")
    named = found.side if found.side in ("left", "right", "lead") else ""
    if column:
        yield Guess("worn.arm", _from_column(source, column), "sure", f"column {column!r} holds sides")
    elif named and stated and named != stated and named != "lead":
        yield open_guess("worn.arm", f"the columns say {named}, but above stands {line!r}", _ARM_QUESTION)
    elif found.both:
        reason = f"both arms were recorded; these are the columns of the {named} one"
        yield Guess("worn.arm", named, "sure", reason)
    elif named or stated:
        reason = "the names of the columns say so" if named else f"above the table stands {line!r}"
        yield Guess("worn.arm", named or stated, "sure", reason)
    else:
        yield open_guess("worn.arm", _hint(source) or "nothing in the file says it", _ARM_QUESTION)

    names = load_words().names
    column = _side_column(source, names.hand, frozenset())
    stated, line = _stated(source, "hand")
    if column:
        doubt = "likely" if set(tokens(source.titles[column])) == {"hand"} else "sure"
        reason = f"column {column!r} holds sides, and is taken for the golfer's hand"
        yield Guess("worn.hand", _from_column(source, column), doubt, reason)  # type: ignore[arg-type]
    elif stated:
        yield Guess("worn.hand", stated, "sure", f"above the table stands {line!r}")
    else:
        question = _HAND_QUESTION
        if found.both:
            question += " Of a left-handed golfer take the other arm's columns."
        yield open_guess("worn.hand", "nothing in the file says it", question)


def _stated(source: Source, what: str) -> tuple[str, str]:
    """The side that a line above the table tells of the arm or of the golfer's hand, and that line."""
    arm = load_words().names.arm
    for line in source.preamble:
        words = set(tokens(line))
        of_hand = bool(words & _HANDED) or ("hand" in words and bool(words & _GOLFER))
        of_arm = bool(words & arm) and not of_hand
        side = side_in(words)
        if side in ("left", "right", "lead") and (of_hand if what == "hand" else of_arm):
            return ("", "") if what == "hand" and side == "lead" else (side, line)
    return "", ""


def _hint(source: Source) -> str:
    """What speaks of a side without saying whose it is."""
    side = side_in(tokens(source.path.stem))
    if side:
        return f"the file's name says {side}, but not whether it is the arm or the golfer's hand"
    for line in source.preamble:
        if side_in(tokens(line)) and "hand" in tokens(line):
            return f"above stands {line!r}, which may be the arm or the golfer's hand"
    return ""


def _side_column(source: Source, wanted: frozenset[str], unwanted: frozenset[str]) -> str:
    for name in source.names:
        title = set(tokens(source.titles[name]))
        if title & wanted and not title & unwanted and name not in source.numbers:
            words = _words(source, name)
            if words and all(side_in([word.casefold()]) in ("left", "right") for word in words):
                return name
    return ""


def _words(source: Source, name: str) -> list[str]:
    cells = {str(cell).strip() for cell in source.cells[name] if cell is not None}
    return sorted(cells - {"", "nan"})


def _from_column(source: Source, name: str) -> dict[str, object]:
    words = {word: side_in([word.casefold()]) for word in _words(source, name)}
    # Of a column with one side the other is what a further file will say.
    if len(words) == 1:
        word, side = next(iter(words.items()))
        other = {
            "left": "right",
            "right": "left",
            "Left": "Right",
            "Right": "Left",
            "L": "R",
            "R": "L",
            "l": "r",
            "r": "l",
        }
        if word in other:
            words[other[word]] = {"left": "right", "right": "left"}[side]
    same = all(word == side for word, side in words.items())
    return {"column": name} if same else {"column": name, "words": words}
