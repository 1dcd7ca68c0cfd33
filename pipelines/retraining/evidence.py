"""What a coach's answers say of each fault: is its edge the catalogue's, and if not, where does it lie?

Spike and slab, a fault at a time: either everything about the fault is the catalogue's (the spike), or an edge or a
calibration of the coach's own (the slab). Lapses and unrelated answers are allowed for on both sides, so that careless
or mixed-up labels speak for neither. The lapse rate, and whether unrelated answers are common at all, are shared by all
faults. Everything is summed on grids: no step size, no start, the same answer for the same labels. The sums are kept by
fold, so that what other golfers say is had without summing again.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit
from scipy.stats import beta

from faultml.faults.catalogue import Catalogue
from faultml.pipelines.retraining.answer_chances import (
    CALIBRATION_PRIOR,
    DELTA,
    EDGE_PRIOR,
    OFFSET,
    RATIO,
    SLOPE,
    AnswerChances,
    answer_chances,
)
from faultml.pipelines.retraining.labelled import Labelled, golfer_folds
from faultml.runtime.faults import FaultModel

Array = NDArray[np.float64]

FOLDS: Final = 5
INCLUDED: Final = 0.1
"""Chance, beforehand, that a coach's edge of a fault is not the catalogue's."""

_LAPSE_RATE: Final = np.array([0.003, 0.012, 0.025, 0.05, 0.08, 0.105, 0.13, 0.155, 0.2, 0.3])
_LAPSE_RATE_PRIOR: Final = beta.pdf(_LAPSE_RATE, 1.2, 18.0) * np.gradient(_LAPSE_RATE)
_UNRELATED: Final = np.array([0.0, 0.15, 0.4, 0.7, 1.0])
_UNRELATED_PRIOR: Final = np.log(
    [
        [0.99, 0.005, 0.0025, 0.0015, 0.001],  # where answers go with the swings, but for the odd fault
        [0.10, 0.200, 0.300, 0.250, 0.150],  # where rows are mixed up
    ]
)
_MIXED_UP: Final = np.log([0.95, 0.05])
_TINY: Final = np.float32(1e-7)


class FaultFit(NamedTuple):
    """What is known of one fault, in softnesses and log odds.

    Attributes
    ----------
    log_bayes_factor
        Of an edge of the coach's own against the catalogue.
    log_likelihood_ratio
        The same of the likeliest edge.
    inclusion
        Probability that the edge is the coach's own.
    shift, shift_sd, ratio
        Of the edge, and how many times as soft as the catalogue's it is.
    slope, offset
        Of the calibration.
    unrelated
        Share of unrelated answers: on the catalogue, with a calibration, with an edge.
    """

    log_bayes_factor: float
    log_likelihood_ratio: float
    inclusion: float
    shift: float
    shift_sd: float
    ratio: float
    slope: float
    offset: float
    unrelated: tuple[float, float, float]


class Fit(NamedTuple):
    """What is known of a coach: by fault (column), and how often answers are the wrong way round."""

    faults: dict[int, FaultFit]
    lapse_rate: float
    lapse_rate_sd: float


@dataclass(frozen=True)
class Evidence:
    """Log likelihoods of the answers, summed by fold.

    Attributes
    ----------
    sums
        By fault, ``(n_folds, n_lapse_rates, n_unrelated, n_cells)``.
    yes_share
        By fault, share of yes.
    fold
        ``(n_swings,)`` fold of each swing's golfer.
    """

    sums: dict[int, Array]
    yes_share: dict[int, float]
    fold: NDArray[np.int64]

    def fit(self, *, without: int | None = None) -> Fit:
        """What the answers say, or those of all folds but one."""
        used = np.arange(FOLDS) != (-1 if without is None else without)
        parts = {column: _Parts.of(sums[used].sum(axis=0)) for column, sums in self.sums.items()}
        prior = np.log(_LAPSE_RATE_PRIOR / _LAPSE_RATE_PRIOR.sum()) + _MIXED_UP[:, None]
        total = prior + sum(each.either for each in parts.values())
        weight = np.exp(total - _log_sum(total)).sum(axis=0)
        rate = float(weight @ _LAPSE_RATE)
        spread = float(np.sqrt(max(weight @ _LAPSE_RATE**2 - rate**2, 0.0)))
        return Fit({column: each.fit(total) for column, each in parts.items()}, rate, spread)


def gather_evidence(
    catalogue: Catalogue,
    classifier: FaultModel,
    labelled: Labelled,
    *,
    band: float = 0.0,
    abstain_rate: float = 0.0,
    row_weights: Array | None = None,
    calibrations: Collection[int] = (),
) -> Evidence:
    """Sum up a coach's answers.

    Parameters
    ----------
    band, abstain_rate
        See `faultml.pipelines.retraining.unsure`.
    row_weights
        ``(n_swings,)`` what each swing counts.
    calibrations
        Faults of which calibrations are wanted, too.
    """
    fold = golfer_folds(labelled.golfers, folds=FOLDS)
    sums, shares = {}, {}
    for column in np.flatnonzero(labelled.known.any(axis=0)).tolist():
        given = answer_chances(
            catalogue,
            classifier,
            labelled,
            column,
            band=band,
            row_weights=row_weights,
            calibrations=column in calibrations,
        )
        sums[column], shares[column] = _summed(given, fold, abstain_rate), given.yes_share
    return Evidence(sums, shares, fold)


def _summed(given: AnswerChances, fold: NDArray[np.int64], abstain_rate: float) -> Array:
    """Log likelihoods by fold, ``(n_folds, n_lapse_rates, n_unrelated, n_cells)``."""
    folds = np.arange(FOLDS)[:, None]
    counted = ((fold[given.rows] == folds) * given.weight).astype(np.float32)
    right = np.where(given.yes[:, None], given.over, given.short)
    wrong = np.where(given.yes[:, None], given.short, given.over)
    share = np.where(given.yes, given.yes_share, 1 - given.yes_share)[:, None].astype(np.float32)
    share = share * np.float32(1 - given.unsure_share if len(given.unsure_rows) else 1)
    found = np.zeros((FOLDS, len(_LAPSE_RATE), len(_UNRELATED), given.over.shape[1]))
    each = np.empty_like(right)
    for at, lapse_rate in enumerate(_LAPSE_RATE.astype(np.float32)):
        steady = lapse_rate * wrong + (1 - lapse_rate) * right
        for other, unrelated in enumerate(_UNRELATED.astype(np.float32)):
            np.multiply(steady, 1 - unrelated, out=each)
            each += unrelated * share + _TINY
            found[:, at, other] = counted @ np.log(each, out=each)
    if len(given.unsure_rows):
        counted = ((fold[given.unsure_rows] == folds) * given.unsure_weight).astype(np.float32)
        within = abstain_rate + (1 - abstain_rate) * given.within
        for other, unrelated in enumerate(_UNRELATED):
            either = (1 - unrelated) * within + unrelated * given.unsure_share
            found[:, :, other] += (counted @ np.log(either))[:, None]
    return found


class _Parts(NamedTuple):
    """One fault's evidence: ``(2, n_lapse_rates, n_unrelated, n_cells)``, whether answers are mixed up first."""

    catalogue: Array
    edges: Array
    calibrations: Array
    """No cells where none were wanted."""

    @classmethod
    def of(cls, sums: Array) -> _Parts:
        every = sums + _UNRELATED_PRIOR[:, None, :, None]
        last = 1 + len(EDGE_PRIOR)
        calibrations = every[..., last:]
        if calibrations.shape[-1]:
            calibrations = calibrations + CALIBRATION_PRIOR
        return cls(every[..., :1], every[..., 1:last] + EDGE_PRIOR, calibrations)

    @property
    def either(self) -> Array:
        """Evidence of the fault, ``(2, n_lapse_rates)``."""
        spike, edges = (_log_sum(part, axis=(-2, -1)) for part in (self.catalogue, self.edges))
        return np.asarray(np.logaddexp(np.log1p(-INCLUDED) + spike, np.log(INCLUDED) + edges))

    def fit(self, total: Array) -> FaultFit:
        """What is known, given what all faults say of lapses and of rows mixed up."""
        others = (total - self.either)[:, :, None, None]
        spike, edges = (others + part for part in (self.catalogue, self.edges))
        factor = float(_log_sum(edges) - _log_sum(spike))
        likeliest = (_log_sum(edges, axis=(0, 1, 2)) - EDGE_PRIOR).max()
        on_spike, on_edges = _normalised(spike), _normalised(edges)
        cells = on_edges.sum(axis=(0, 1, 2)).reshape(len(DELTA), len(RATIO))
        shift = float(cells.sum(axis=1) @ DELTA)
        variance = float(cells.sum(axis=1) @ DELTA**2) - shift**2
        slope, offset, unrelated = 1.0, 0.0, 0.0
        if self.calibrations.shape[-1]:
            own = _normalised(others + self.calibrations)
            by_cell = own.sum(axis=(0, 1, 2)).reshape(len(OFFSET), len(SLOPE))
            slope, offset = float(by_cell.sum(axis=0) @ SLOPE), float(by_cell.sum(axis=1) @ OFFSET)
            unrelated = _unrelated(own)
        return FaultFit(
            log_bayes_factor=factor,
            log_likelihood_ratio=float(likeliest - _log_sum(spike)),
            inclusion=float(expit(factor + np.log(INCLUDED / (1 - INCLUDED)))),
            shift=shift,
            shift_sd=float(np.sqrt(max(variance, 0.0))),
            ratio=float(cells.sum(axis=0) @ RATIO),
            slope=slope,
            offset=offset,
            unrelated=(_unrelated(on_spike), unrelated, _unrelated(on_edges)),
        )


def _unrelated(weights: Array) -> float:
    return float(weights.sum(axis=(0, 1, 3)) @ _UNRELATED)


def _normalised(logs: Array) -> Array:
    scaled = np.exp(logs - logs.max())
    return np.asarray(scaled / scaled.sum())


def _log_sum(logs: Array, axis: tuple[int, ...] | None = None) -> Array:
    """Logarithm of a sum of exponentials; scipy's own takes three times as long on arrays of this size."""
    top = logs.max(axis=axis, keepdims=True)
    return np.asarray(np.squeeze(top, axis=axis) + np.log(np.exp(logs - top).sum(axis=axis)))
