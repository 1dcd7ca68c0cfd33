"""Coaches whose labels are spoiled, each beside the same coach unspoiled: what retraining must not be misled by."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.faults.catalogue import Catalogue
from faultml.pipelines.benchmarks.coach_suite import SHIFT_SOFTNESS, Simulated, Suite, labelled_by
from faultml.pipelines.retraining.labelled import UNSURE, Labelled, chance, default_adaptation
from faultml.runtime.faults import FaultModel
from faultml.synthetic.coach import Coach

Array = NDArray[np.float64]

LAPSE_RATE: Final = 0.02
SHEET: Final = 50
"""Swings of a sheet, sorted by golfer."""
MOVED_SOFTNESS: Final = 2.0
"""How far an edge is moved, and how far one that drifts gets: 8 degrees."""
ANCHORED: Final = 0.7
UNSURE_SHARE: Final = 0.6
WRONG_SHARE: Final = 0.3
OBVIOUS_SOFTNESS: Final = 1.5
"""How far from the edge a swing is obvious: 6 degrees."""


@dataclass(frozen=True)
class Judged:
    """Swings as one coach has judged them, sheet by sheet, and what spoils that.

    Attributes
    ----------
    labelled
        In the order in which they were judged.
    truth
        ``(n_swings, n_faults)`` true measures past the catalogue's edge, in softnesses.
    tool
        ``(n_swings, n_faults)`` what the model gives by itself.
    other, drifting
        Answers of another coach, and of one whose edges move from those of the coach by `MOVED_SOFTNESS`, each in a
        direction of its own.
    """

    labelled: Labelled
    truth: Array
    tool: Array
    other: Array
    drifting: Array


def two_moved(catalogue: Catalogue, random: np.random.Generator) -> Coach:
    """A coach with the catalogue's edges but for two, which lie 8 degrees elsewhere."""
    soft = catalogue.softness_by_fault
    bias = np.zeros(len(soft))
    at = random.choice(len(soft), 2, replace=False)
    bias[at] = MOVED_SOFTNESS * soft[at] * random.choice([-1, 1], 2)
    return Coach(bias, LAPSE_RATE)


def careful(catalogue: Catalogue, random: np.random.Generator) -> Coach:
    """A coach with the catalogue's edges."""
    del random
    return Coach(np.zeros(len(catalogue.ids)), LAPSE_RATE)


def judge(
    catalogue: Catalogue,
    classifier: FaultModel,
    suite: Suite,
    coach: Coach,
    rows: NDArray[np.int64],
    random: np.random.Generator,
) -> Judged:
    """A coach judges some of a suite's swings, a sheet after the other."""
    soft = catalogue.softness_by_fault
    sheets = np.arange(len(rows)) // SHEET
    order = np.concatenate([np.sort(rows[sheets == sheet]) for sheet in np.unique(sheets)])
    other = Coach(random.choice([-SHIFT_SOFTNESS, SHIFT_SOFTNESS], len(soft)) * soft, coach.lapse_rate)
    direction = random.choice([-MOVED_SOFTNESS, MOVED_SOFTNESS], len(soft)) * soft
    drifting = np.full((len(rows), len(soft)), np.nan)
    for sheet in np.unique(sheets):
        bias = coach.bias + direction * sheet / max(sheets.max(), 1)
        drifting[sheets == sheet] = _said(catalogue, suite, Coach(bias, coach.lapse_rate), random)[
            order[sheets == sheet]
        ]
    answers = _said(catalogue, suite, coach, random)
    labelled = labelled_by(catalogue, classifier, suite, answers).rows(order)
    at = np.arange(len(rows))
    labelled = replace(labelled, order=at, sheets=sheets, occasions=sheets.astype(str).astype(object))
    return Judged(
        labelled,
        (catalogue.signs * (suite.measures - classifier.edges) / soft)[order],
        chance(classifier, labelled, default_adaptation(catalogue)),
        _said(catalogue, suite, other, random)[order],
        drifting,
    )


def _said(catalogue: Catalogue, suite: Suite, coach: Coach, random: np.random.Generator) -> Array:
    return Simulated(coach).answers(catalogue, suite, random)


def _half_mixed(judged: Judged, random: np.random.Generator) -> Array:
    answers, sheets = judged.labelled.answers.copy(), judged.labelled.sheets
    mixed = random.random(len(answers)) < 0.5
    for sheet in np.unique(sheets):
        rows = np.flatnonzero(mixed & (sheets == sheet))
        answers[rows] = answers[random.permutation(rows)]
    return answers


def _shifted_by_one(judged: Judged, random: np.random.Generator) -> Array:
    del random
    answers, sheets = judged.labelled.answers.copy(), judged.labelled.sheets
    for sheet in np.unique(sheets):
        answers[sheets == sheet] = np.roll(answers[sheets == sheet], 1, axis=0)
    return answers


def _shuffled_within_golfers(judged: Judged, random: np.random.Generator) -> Array:
    answers = judged.labelled.answers.copy()
    for golfer in np.unique(judged.labelled.golfers):
        rows = np.flatnonzero(judged.labelled.golfers == golfer)
        answers[rows] = answers[random.permutation(rows)]
    return answers


def _inverted(judged: Judged, random: np.random.Generator) -> Array:
    del random
    return np.asarray(1 - judged.labelled.answers)


def _one_fault_inverted(judged: Judged, random: np.random.Generator) -> Array:
    answers = judged.labelled.answers.copy()
    column = random.integers(answers.shape[1])
    answers[:, column] = 1 - answers[:, column]
    return answers


def _two_columns_exchanged(judged: Judged, random: np.random.Generator) -> Array:
    answers = judged.labelled.answers.copy()
    one, other = random.choice(answers.shape[1], 2, replace=False)
    answers[:, [one, other]] = answers[:, [other, one]]
    return answers


def _two_coaches(judged: Judged, random: np.random.Generator) -> Array:
    others = random.random(len(judged.other)) < 0.5
    return np.where(others[:, None], judged.other, judged.labelled.answers)


def _one_verdict_a_golfer(judged: Judged, random: np.random.Generator) -> Array:
    del random
    answers = judged.labelled.answers.copy()
    for golfer in np.unique(judged.labelled.golfers):
        rows = np.flatnonzero(judged.labelled.golfers == golfer)
        answers[rows] = answers[rows[0]]
    return answers


def _all_yes(judged: Judged, random: np.random.Generator) -> Array:
    del random
    return np.where(np.isfinite(judged.labelled.answers), 1.0, np.nan)


def _copied(judged: Judged, random: np.random.Generator) -> Array:
    del random
    return np.where(np.isfinite(judged.labelled.answers), (judged.tool >= 0.5).astype(float), np.nan)


def _anchored(judged: Judged, random: np.random.Generator) -> Array:
    anchored = random.random(judged.tool.shape) < ANCHORED
    return np.where(anchored, _copied(judged, random), judged.labelled.answers)


def _only_obvious(judged: Judged, random: np.random.Generator) -> Array:
    del random
    return np.where(np.abs(judged.truth) >= OBVIOUS_SOFTNESS, judged.labelled.answers, np.nan)


def _mostly_unsure(judged: Judged, random: np.random.Generator) -> Array:
    answers = judged.labelled.answers
    unsure = (random.random(answers.shape) < UNSURE_SHARE) & np.isfinite(answers)
    return np.where(unsure, UNSURE, answers)


def _sheet_partly_wrong(judged: Judged, random: np.random.Generator) -> Array:
    answers, sheets = judged.labelled.answers, judged.labelled.sheets
    wrong = (sheets == random.integers(sheets.max() + 1)) & (random.random(len(sheets)) < WRONG_SHARE)
    return np.where(wrong[:, None], 1 - answers, answers)


def _drifting(judged: Judged, random: np.random.Generator) -> Array:
    del random
    return judged.drifting


def _unspoiled(judged: Judged, random: np.random.Generator) -> Array:
    del random
    return judged.labelled.answers


SPOILED: Final[dict[str, Callable[[Judged, np.random.Generator], Array]]] = {
    "unspoiled": _unspoiled,
    "half the rows mixed up": _half_mixed,
    "rows shifted by one": _shifted_by_one,
    "shuffled within golfers": _shuffled_within_golfers,
    "inverted": _inverted,
    "one fault inverted": _one_fault_inverted,
    "two columns exchanged": _two_columns_exchanged,
    "two coaches mixed": _two_coaches,
    "one verdict a golfer": _one_verdict_a_golfer,
    "all yes": _all_yes,
    "copied from the tool": _copied,
    "70 % anchored on the tool": _anchored,
    "only obvious swings": _only_obvious,
    "60 % unsure": _mostly_unsure,
    "30 % of a sheet wrong": _sheet_partly_wrong,
    "drifting edges": _drifting,
}
"""What is made of the answers, by name; the first is what the others are held against."""
