"""What follows from the answers that a coach has given so far: with its column known, an angle's unit and sign can
often be concluded as they are where the names of the columns say which is which.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from faultml.importing.layout import OPEN, Layout, open_questions
from faultml.importing.propose.angles import ANGLES, Found, guess_signs, guess_units
from faultml.importing.propose.clock import PER_S, Clock, guess_clock
from faultml.importing.propose.motion import Moves, find_moves
from faultml.importing.propose.proposal import recordings_of
from faultml.importing.propose.source import Guess, Source
from faultml.importing.propose.words import AngleName

TO_DEG: Final = {"deg": 1.0, "rad": 180 / np.pi}


@dataclass(frozen=True)
class SoFar:
    """A file as the answers so far read it.

    Attributes
    ----------
    t_s
        ``(n_rows,)`` seconds, None where the clock is not known.
    moves
        The swings found in the angles whose column and unit are known.
    order
        Those angles, in the order of the channels of `moves`.
    guesses
        On units, straight positions and signs of every angle whose column is known.
    """

    t_s: NDArray[np.float64] | None
    moves: Moves
    order: list[AngleName]
    guesses: list[Guess]


def read_so_far(source: Source, layout: Layout) -> SoFar:
    """Read a file by a layout that may still have open questions."""
    angles = {} if layout.angles is None else {name: getattr(layout.angles, name) for name in ANGLES}
    columns: dict[AngleName, str] = {
        name: angle.column
        for name, angle in angles.items()
        if angle is not None and angle.column in source.numbers
    }
    found = Found(columns)
    units, guesses = guess_units(source, found)
    for name in columns:
        if angles[name].unit in TO_DEG:
            units[name] = angles[name].unit
    order = [name for name in columns if units.get(name) in TO_DEG]
    clock = _clock(source, layout)
    channels = np.array([source.numbers[columns[name]] * TO_DEG[units[name]] for name in order])
    moves = find_moves(recordings_of(source, clock, "", channels.reshape(len(order), len(source))))
    return SoFar(clock.t_s, moves, order, [*guesses, *guess_signs(source, found, moves, order)])


def concluded(so_far: SoFar, layout: Layout) -> dict[str, Any]:
    """Values by path for open fields of the layout that need not be asked."""
    still_open = set(open_questions(layout))
    return {
        guess.path: guess.value
        for guess in so_far.guesses
        if guess.doubt != "open" and guess.path in still_open
    }


def _clock(source: Source, layout: Layout) -> Clock:
    clock = guess_clock(source)
    column, unit, rate_hz = layout.time.column, layout.time.unit, layout.time.rate_hz
    if unit in PER_S and column in source.numbers:
        return Clock(source.numbers[column] / PER_S[unit], column, [])
    if unit == "samples" and rate_hz not in (None, OPEN):
        return Clock(np.arange(len(source)) / float(rate_hz), "", [])
    return clock
