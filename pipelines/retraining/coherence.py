"""Do a coach's answers come from one set of edges? Found out from what is left over once edges are learned.

Where two coaches answered under one name, or one coach changed, an edge between both explains neither. What is left
over then goes together: a swing judged more strictly than expected on one fault is so on the others, too, as are the
swings of the same golfer, sheet or occasion; or it moves with time. Left over is the derivative of the log likelihood
by the place of the edge. Pairs are of different faults, since one golfer's misreadings of one fault go together anyway.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import logit, ndtr
from scipy.stats import chi2, rankdata

from faultml.faults.catalogue import Catalogue
from faultml.pipelines.retraining.evidence import Fit
from faultml.pipelines.retraining.labelled import Labelled, calibrated
from faultml.runtime.faults import FaultModel

Array = NDArray[np.float64]

MAX_TOGETHER: Final = {"swing": 2.4, "golfer": 3.5, "sheet": 3.5, "occasion": 3.5}
"""Standard errors; of golfers they are a little too small, as misreadings of different faults go together a little."""
MIN_DRIFT_P: Final = 0.001
MAX_FAULT_DRIFT: Final = 3.3
MIN_WITHIN: Final = (0.4, -4.0)
"""How far answers must differ between one golfer's swings: share of what is expected, and standard errors from it."""
_STEP: Final = 0.05
_FLOOR: Final = 1e-6

DRIFTS: Final = (
    "the edges move with time; label what is left with the edges of today under another coach's name"
)
ALIKE: Final = "the answers do not differ between swings of one golfer as the swings do"
TWO: Final = {
    "swing": "the answers seem to come from two coaches, now one and now the other",
    "golfer": "some golfers seem to be judged by other edges than others",
    "sheet": "some sheets seem to be judged by other edges than others",
    "occasion": "some occasions seem to be judged by other edges than others",
}


class Coherence(NamedTuple):
    """Why no edges explain the answers, "" where some do; and which single faults' edges move with time."""

    why: str
    drifting: NDArray[np.bool_]


def coherence(catalogue: Catalogue, classifier: FaultModel, labelled: Labelled, fit: Fit) -> Coherence:
    """Hold the answers against the edges learned from them."""
    chance, slope = _chances(catalogue, classifier, labelled, fit)
    answered = np.isfinite(chance)
    answers, spread = np.where(answered, labelled.answers, 0.0), chance * (1 - chance)
    left, known = (np.nan_to_num(each) for each in ((answers - chance) * slope / spread, slope**2 / spread))
    if _within(answers, chance, labelled.golfers):
        return Coherence(ALIKE, np.zeros(len(catalogue.ids), dtype=bool))
    shift = np.array([fit.faults[k].shift if k in fit.faults else 0.0 for k in range(len(catalogue.ids))])
    time = rankdata(labelled.order)[:, None]
    time = time - (time * known).sum(axis=0) / np.maximum(known.sum(axis=0), 1e-9)
    drift = (time * left).sum(axis=0) / np.sqrt(np.maximum((time**2 * known).sum(axis=0), 1e-9))
    drifting = np.abs(drift) > MAX_FAULT_DRIFT
    if chi2.sf((drift**2).sum(), max(len(fit.faults), 1)) < MIN_DRIFT_P:
        return Coherence(DRIFTS, drifting)
    units: dict[str, NDArray[Any]] = {
        "swing": np.arange(len(left)), "golfer": labelled.golfers, "sheet": labelled.sheets,
        "occasion": labelled.occasions,
    }  # fmt: skip
    for name, unit in units.items():
        if _together(left * shift, known * shift**2, unit) > MAX_TOGETHER[name]:
            return Coherence(TWO[name], drifting)
    return Coherence("", drifting)


def _chances(
    catalogue: Catalogue, classifier: FaultModel, labelled: Labelled, fit: Fit
) -> tuple[Array, Array]:
    """The chance of a yes at the edges learned, and its derivative by their places; NaN where not answered."""
    chance, slope = np.full(labelled.past.shape, np.nan), np.full(labelled.past.shape, np.nan)
    for column, seen in fit.faults.items():
        rows = labelled.known[:, column]
        soft = catalogue.softness_by_fault[column]
        past, sd, guard = (
            each[rows, column] for each in (labelled.past / soft, labelled.sd / soft, labelled.guard)
        )
        yes = float((labelled.answers[rows, column] == 1).mean())
        spread, related = np.hypot(seen.ratio, sd), (1 - seen.unrelated[2]) * (1 - 2 * fit.lapse_rate)
        by_chance = (1 - seen.unrelated[2]) * fit.lapse_rate + seen.unrelated[2] * yes
        further, here, nearer = (
            by_chance
            + related * calibrated(classifier, column, ndtr((past - seen.shift - step) / spread) * guard)
            for step in (_STEP, 0.0, -_STEP)
        )
        chance[rows, column] = np.clip(here, _FLOOR, 1 - _FLOOR)
        slope[rows, column] = (further - nearer) / (2 * _STEP)
    return chance, slope


def _within(answers: Array, chance: Array, golfers: NDArray[np.object_]) -> bool:
    """Whether answers about one golfer's swings hardly go with what sets these swings apart."""
    found = expected = variance = 0.0
    for column in range(answers.shape[1]):
        known = np.isfinite(chance[:, column])
        if not known.any():
            continue
        said, likely = answers[known, column], chance[known, column]
        _, owner, count = np.unique(golfers[known], return_inverse=True, return_counts=True)
        odds = logit(likely)
        apart = odds - (np.bincount(owner, odds) / count)[owner]
        found, expected = found + float(said @ apart), expected + float(likely @ apart)
        variance += float((likely * (1 - likely)) @ apart**2)
    share, errors = MIN_WITHIN
    return found < share * expected and found - expected < errors * np.sqrt(variance)


def _together(left: Array, known: Array, unit: NDArray[Any]) -> float:
    """How far the left-over of different faults goes together within units, in standard errors."""
    names, owner = np.unique(unit, return_inverse=True)
    total, variance = np.zeros((len(names), left.shape[1])), np.zeros((len(names), left.shape[1]))
    np.add.at(total, owner, left)
    np.add.at(variance, owner, known)
    pairs = (total.sum(axis=1) ** 2 - (total**2).sum(axis=1)).sum() / 2
    error = np.sqrt(((variance.sum(axis=1) ** 2 - (variance**2).sum(axis=1)) / 2).sum())
    return float(pairs / error) if error > 0 else 0.0
