"""Guess how the contact with the ball is marked, and which words of a swing stand in columns."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from faultml.importing.propose.clock import PER_S, Clock
from faultml.importing.propose.motion import Moves
from faultml.importing.propose.source import Guess, Source, open_guess
from faultml.importing.propose.words import load_words, tokens, unit_in
from faultml.recordings.schema import CONTEXTS, SHOT_WORDS

NEAR_S: Final = 0.25
"""A contact lies no further from the fastest moment of its swing."""

_NOT_MARKED: Final = frozenset({"", "0", "0.0", "nan", "none", "false", "no", "-"})


def guess_contact(source: Source, clock: Clock, moves: Moves, taken: set[str]) -> Iterator[Guess]:
    """``[contact]``."""
    names = load_words().names
    contact = [n for n in source.names if n not in taken and set(tokens(source.titles[n])) & names.contact]
    marks = [n for n in source.names if n not in taken and set(tokens(source.titles[n])) & names.event]
    fastest = moves.fastest_s
    for name in contact:
        guess = list(_by_time(source, clock, name, fastest))
        if guess:
            yield from guess
            return
    for name in [*contact, *(each for each in marks if each not in contact)]:
        guess = list(_by_event(source, clock, name, fastest, name in contact))
        if guess:
            yield from guess
            return


def _by_time(source: Source, clock: Clock, name: str, fastest: np.ndarray) -> Iterator[Guess]:
    if (
        name not in source.numbers
        or clock.t_s is None
        or not clock.column
        or clock.column not in source.numbers
    ):
        return
    values = source.numbers[name]
    values = np.unique(values[np.isfinite(values)])
    if not 0 < len(values) <= max(1, len(source) // 20) or set(values.tolist()) <= {0.0, 1.0}:
        return
    stated = unit_in(source.titles[name], PER_S, source.units.get(name, ""))
    unit = next((str(g.value) for g in clock.guesses if g.path == "time.unit"), "")
    for each in dict.fromkeys([stated or unit, unit, *PER_S]):
        if each not in PER_S:
            continue
        near = _share_near(values / PER_S[each], fastest)
        if near >= 0.8 and (not stated or each == stated):
            reason = f"its times lie beside the fastest moment of {near:.0%} of the swings"
            yield Guess("contact.time_column", name, "sure" if stated or each == unit else "likely", reason)
            if each != unit:
                yield Guess("contact.unit", each, "sure" if stated else "likely", f"read in {each} they do")
            return
    yield open_guess(
        "contact.time_column",
        f"{name!r} is named so, but its values lie beside no fastest moment",
        "Does a column hold the time of contact, and on which clock? Leave it out where none does.",
    )


def _by_event(source: Source, clock: Clock, name: str, fastest: np.ndarray, named: bool) -> Iterator[Guess]:
    if clock.t_s is None:
        return
    cells = np.array(
        [str(cell).strip() if cell is not None else "" for cell in source.cells[name]], dtype=object
    )
    kinds = [word for word in dict.fromkeys(cells.tolist()) if word.casefold() not in _NOT_MARKED]
    if not 0 < len(kinds) <= 12:
        return
    near = {word: _share_near(clock.t_s[_rising(cells == word)], fastest) for word in kinds}
    words = load_words().names.contact
    said = [word for word in kinds if set(tokens(word)) & words]
    fitting = said or [word for word in kinds if near[word] >= 0.8]
    if len(kinds) == 1 and not said and not fitting and named:
        question = f"Is {name!r} the contact with the ball? Leave [contact] out where it is not."
        yield open_guess("contact.event_column", "it marks moments that are not the fastest ones", question)
    if len(fitting) != 1 or (not named and not said and near[fitting[0]] < 0.8):
        return
    word = fitting[0]
    reason = f"{word!r} stands beside the fastest moment in {near[word]:.0%} of its places"
    sure = near[word] >= 0.8 and (named or bool(said))
    yield Guess("contact.event_column", name, "sure" if sure else "likely", reason)
    if word != "1":
        yield Guess("contact.events", [word], "sure" if sure else "likely", f"of {', '.join(kinds)}")


def _rising(held: np.ndarray) -> np.ndarray:
    return held & ~np.concatenate([[False], held[:-1]])


def _share_near(marks_s: np.ndarray, fastest: np.ndarray) -> float:
    """Share of the marks that lie beside a fastest moment."""
    if not len(marks_s) or not len(fastest):
        return 0.0
    return float((np.abs(marks_s[:, None] - fastest[None]).min(axis=1) < NEAR_S).mean())


def guess_words(source: Source, taken: set[str]) -> Iterator[Guess]:
    """``[words]``: the club, and columns that hold nothing but words of ours."""
    club = load_words().names.club
    for name in source.names:
        title = set(tokens(source.titles[name]))
        if name in taken or name in source.numbers or not title & (club | {"shot", "context"}):
            continue
        words = {part for cell in set(source.cells[name]) for part in str(cell or "").split()} - {"nan"}
        if title & club and words:
            yield Guess("words.club", {"column": name}, "sure", "by its name")
        elif "shot" in title and words and words <= set(SHOT_WORDS):
            yield Guess("words.shot", {"column": name}, "sure", "its words are those of the season table")
        elif "context" in title and words and words <= set(CONTEXTS):
            yield Guess("words.context", {"column": name}, "sure", "its words are those of the season table")
