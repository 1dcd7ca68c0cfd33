"""The columns of a recorder's file that a question is about, drawn as they stand there."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.desk.answers import Answers
from faultml.desk.asking import Question
from faultml.drawings.records import Axis, Line, Mark, Panel, Picture, Tick
from faultml.report.text import shown
from faultml.svg import padded_range, ticks_of

MAX_DRAWN: Final = 4000
"""Samples drawn of a column."""
MAX_PANELS: Final = 6


def question_picture(answers: Answers, question: Question) -> Picture | None:
    """The columns in question over the time, or over the number of the sample where the clock is not known.

    Where the question is which way a column goes, the start of a swing and its fastest moment are marked.
    """
    marked = question.path.endswith(".positive")
    panels = [
        panel
        for name in question.columns[:MAX_PANELS]
        if (panel := _panel(answers, name, marked)) is not None
    ]
    names = ", ".join(shown(name) for name in question.columns[:MAX_PANELS])
    return Picture(f"{names}, as in {shown(answers.files[0].name)}", tuple(panels)) if panels else None


def _panel(answers: Answers, name: str, marked: bool) -> Panel | None:
    values = answers.source.numbers[name]
    if not np.isfinite(values).any():
        return None
    t_s = answers.so_far.t_s
    timed = t_s is not None and bool(np.isfinite(t_s).all()) and bool(np.ptp(t_s) > 0)
    x = t_s - t_s[0] if timed and t_s is not None else np.arange(len(values), dtype=float)
    step = max(1, len(values) // MAX_DRAWN)
    items: list[Line | Mark] = [Line(x[::step], values[::step], "unknown", strong=True)]
    if marked and timed:
        items += _marks(answers, x, values)
    return Panel(shown(name), _x_axis(x, " s" if timed else ""), _y_axis(values[::step]), tuple(items))


def _marks(answers: Answers, x: NDArray[np.float64], values: NDArray[np.float64]) -> list[Mark]:
    moves = answers.so_far.moves
    if not len(moves):
        return []
    t_s = answers.so_far.t_s
    assert t_s is not None
    fastest = int(np.nanargmin(np.abs(t_s - moves.fastest_s[0])))
    return [
        Mark("circle", float(x[at]), float(values[at]), "open", words)
        for at, words in ((0, "start"), (fastest, "fastest moment"))
        if np.isfinite(values[at])
    ]


def _x_axis(x: NDArray[np.float64], unit: str) -> Axis:
    lo, hi = float(np.nanmin(x)), float(np.nanmax(x))
    return Axis(lo, hi, tuple(Tick(at, f"{at:,.4g}{unit}") for at in ticks_of(lo, hi, _step(hi - lo))))


def _y_axis(values: NDArray[np.float64]) -> Axis:
    ends = float(np.nanmin(values)), float(np.nanmax(values))
    step = _step(ends[1] - ends[0] or 1.0)
    lo, hi = padded_range(values, ends, step)
    return Axis(lo, hi, tuple(Tick(at, f"{at:g}") for at in ticks_of(lo, hi, step)))


def _step(span: float) -> float:
    """A round step that parts a span into two to six."""
    power = 10.0 ** np.floor(np.log10(span))
    return float(next(each * power for each in (0.2, 0.5, 1.0, 2.0) if span / (each * power) <= 6))
