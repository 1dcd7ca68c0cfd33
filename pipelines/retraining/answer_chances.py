"""The chance of each answer, on grids of what a coach may go by.

Three families of cells: the catalogue (one cell), an edge ``delta`` softnesses past the catalogue's that is ``ratio``
times as soft, and the catalogue's log odds multiplied by a slope with an offset added. No cell is ever surer than the
catalogue: answers copied from the tool, or given about obvious swings alone, look like a coach with sharp edges and
would make every probability too bold. A swing whose measure is known as N(m, sd^2) gets a yes with

    P(yes) = (1 - unrelated) * (lapse_rate + (1 - 2 lapse_rate) * chance of the cell) + unrelated * share of yes,

a lapse being the answer the wrong way round and an unrelated answer one that does not go with the swing. A coach who
may answer unsure says yes past the far side of a band about the edge, no short of its near side, and unsure within; its
width is one for all faults.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit, ndtr
from scipy.stats import norm

from faultml.faults.catalogue import Catalogue
from faultml.pipelines.retraining.labelled import UNSURE, Labelled, calibrated, golfer_weights
from faultml.runtime.faults import FaultModel

Array = NDArray[np.float64]
Single = NDArray[np.float32]

DELTA: Final = np.linspace(-4, 4, 65)
RATIO: Final = np.array([1.0, 1.4, 2.0])
OFFSET: Final = np.linspace(-7, 7, 57)
SLOPE: Final = np.array([1.0, 0.75, 0.5])
_SOFTER_PRIOR: Final = np.array([0.75, 0.2, 0.05])
_DELTA_SD: Final = 1.5
_OFFSET_SD: Final = 2.6
_FLOOR: Final = 1e-9


def _prior(grid: Array, sd: float) -> Array:
    density = norm.pdf(grid, 0, sd)
    return np.asarray(np.log((density / density.sum())[:, None] * _SOFTER_PRIOR).ravel())


EDGE_PRIOR: Final = _prior(DELTA, _DELTA_SD)
"""Log prior of the cells of an edge, ``(len(DELTA) * len(RATIO),)``."""
CALIBRATION_PRIOR: Final = _prior(OFFSET, _OFFSET_SD)
"""The same of a calibration, ``(len(OFFSET) * len(SLOPE),)``."""


class AnswerChances(NamedTuple):
    """The answers about one fault, with their chances in ``m`` cells: the catalogue's, edges, any calibrations.

    Attributes
    ----------
    column
        Of the fault.
    rows
        ``(n,)`` the swings answered yes or no.
    yes
        ``(n,)`` which of them are yes.
    over, short
        ``(n, m)`` chance that the swing is past the band, and short of it.
    weight
        ``(n,)`` what each counts; less the more there are of its golfer.
    unsure_rows, within, unsure_weight
        The same of the unsure answers: the chance that the swing is within the band.
    """

    column: int
    rows: NDArray[np.int64]
    yes: NDArray[np.bool_]
    over: Single
    short: Single
    weight: Array
    unsure_rows: NDArray[np.int64]
    within: Single
    unsure_weight: Array

    @property
    def yes_share(self) -> float:
        """Share of yes, never quite 0 or 1."""
        return float((self.weight @ self.yes + 0.5) / (self.weight.sum() + 1))

    @property
    def unsure_share(self) -> float:
        """Share of unsure answers."""
        unsure = float(self.unsure_weight.sum())
        return unsure / (unsure + float(self.weight.sum()) + 1)


def answer_chances(
    catalogue: Catalogue,
    classifier: FaultModel,
    labelled: Labelled,
    column: int,
    *,
    band: float = 0.0,
    row_weights: Array | None = None,
    every: int = 1,
    calibrations: bool = False,
) -> AnswerChances:
    """The chances of a fault's answers.

    Parameters
    ----------
    band
        How far on either side of the edge the coach is unsure, in softnesses.
    row_weights
        ``(n_swings,)`` what each swing counts.
    every
        Of the cells of an edge, one in so many.
    calibrations
        Whether there are cells of calibrations.
    """
    rows = np.flatnonzero(labelled.answered[:, column])
    soft = float(catalogue.softness_by_fault[column])
    weight = golfer_weights(labelled.golfers[rows])
    if row_weights is not None:
        weight = weight * row_weights[rows]
    past, sd = labelled.past[rows, column, None] / soft, labelled.sd[rows, column, None] / soft
    guard = labelled.guard[rows, column, None]
    delta, ratio = (np.ravel(each)[::every] for each in np.meshgrid(DELTA, RATIO, indexing="ij"))
    delta, spread = np.append(0.0, delta), np.hypot(np.append(1.0, ratio), sd)

    def cells(further: float) -> Single:
        edges = calibrated(classifier, column, ndtr((past - delta - further) / spread) * guard)
        if calibrations:
            odds = OFFSET[:, None] + SLOPE * logit(edges[:, :1, None])
            edges = np.concatenate([edges, expit(odds).reshape(len(rows), -1)], axis=1)
        return edges.astype(np.float32)

    over = cells(band)
    not_short = cells(-band) if band else over
    answers = labelled.answers[rows, column]
    sure = answers != UNSURE
    return AnswerChances(
        column,
        rows[sure],
        answers[sure] == 1,
        over[sure],
        1 - not_short[sure],
        weight[sure],
        rows[~sure],
        np.maximum(not_short - over, _FLOOR)[~sure],
        weight[~sure],
    )
