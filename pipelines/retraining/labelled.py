"""What a coach said of measured swings, and what an adaptation predicts of it."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, fields, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit, ndtr

from faultml.classifier.coach_adaptation import CoachAdaptation, Rung, saved_covariates
from faultml.faults.catalogue import Catalogue
from faultml.runtime.faults import CovariateThresholds, FaultModel

Array = NDArray[np.float64]

UNSURE: Final = 0.5
"""The answer of a coach who cannot say."""
_SAME_GOLFER: Final = 0.1
"""Correlation, between swings of one golfer, of what is misread."""


BY_FAULT: Final = (
    "inclusion", "shift", "shift_sd", "softness", "slope", "offset", "unrelated", "yes_share"
)  # fmt: skip
"""What an adaptation and what is saved of it know of each fault."""


@dataclass(frozen=True)
class Labelled:
    """Labelled swings.

    Attributes
    ----------
    past, sd
        ``(n_swings, n_faults)`` estimated measure past the catalogue's edge (more is worse) and its SD, in each
        fault's unit; NaN where not assessed.
    guard
        ``(n_swings, n_faults)`` chance that a fault's guard holds, 1 where it has none.
    answers
        ``(n_swings, n_faults)``: 1 yes, 0 no, `UNSURE`, NaN where not answered.
    golfers
        ``(n_swings,)``.
    order
        ``(n_swings,)`` rank in the order of time in which they were judged, from 0.
    sheets
        ``(n_swings,)`` number of the sitting in which they were judged.
    occasions
        ``(n_swings,)`` of the verdicts.
    """

    past: Array
    sd: Array
    guard: Array
    answers: Array
    golfers: NDArray[np.object_]
    order: NDArray[np.int64]
    sheets: NDArray[np.int64]
    occasions: NDArray[np.object_]

    def rows(self, which: NDArray[np.bool_] | NDArray[np.int64]) -> Labelled:
        """Some of the swings."""
        return Labelled(*(getattr(self, field.name)[which] for field in fields(self)))

    def answered_by(self, answers: Array) -> Labelled:
        """The same swings with other answers."""
        return replace(self, answers=answers)

    def first(self, swings: int) -> Labelled:
        """The swings judged first, of those with a yes or no."""
        known = np.flatnonzero(self.known.any(axis=1))
        earliest = known[np.argsort(self.order[known], kind="stable")[:swings]]
        return self.rows(np.sort(earliest))

    @property
    def answered(self) -> NDArray[np.bool_]:
        """Answered in any way, and assessed."""
        return np.isfinite(self.answers) & np.isfinite(self.past) & np.isfinite(self.sd)

    @property
    def known(self) -> NDArray[np.bool_]:
        """Answered yes or no, and assessed."""
        return self.answered & (self.answers != UNSURE)


@dataclass(frozen=True)
class Adaptation:
    """What is known of a coach, ``(n_faults,)`` each, in each fault's unit.

    Attributes
    ----------
    rungs
        How far up the ladder each fault has gone; see `faultml.classifier.coach_adaptation.Rung`.
    inclusion
        Probability that the fault's edge is not the catalogue's.
    shift, shift_sd, softness, slope, offset
        See `faultml.classifier.coach_adaptation.FaultAdaptation`; of a fault that was not moved those of the catalogue.
    unrelated, yes_share
        Of each fault: share of answers that do not go with what is measured, and share of yes among all.
    lapse_rate, lapse_rate_sd
        Share of answers the wrong way round.
    band
        How far on either side of the edge this coach is unsure, in softnesses.
    abstain_rate
        Share of answers that are unsure wherever the swing lies.
    covariates
        What else the coach goes by; None where the edges say all.
    unrelated_share
        Share of all answers that do not go with what is measured.
    refused
        Why nothing was moved although some fault's evidence says so; "" where that is not so.
    """

    rungs: tuple[Rung, ...]
    inclusion: Array
    shift: Array
    shift_sd: Array
    softness: Array
    slope: Array
    offset: Array
    unrelated: Array
    yes_share: Array
    lapse_rate: float = 0.0
    lapse_rate_sd: float = 0.0
    band: float = 0.0
    abstain_rate: float = 0.0
    covariates: CovariateThresholds | None = None
    unrelated_share: float = 0.0
    refused: str = ""

    @property
    def moved(self) -> NDArray[np.bool_]:
        """Which faults are not as in the catalogue."""
        return np.array([rung != "catalogue" for rung in self.rungs])

    def of_answers(self, chances: Array) -> Array:
        """Chances of a yes as this coach gives answers, lapses and unrelated ones included."""
        steady = self.lapse_rate + (1 - 2 * self.lapse_rate) * chances
        return (1 - self.unrelated) * steady + self.unrelated * self.yes_share


def default_adaptation(catalogue: Catalogue) -> Adaptation:
    """The catalogue's own edges."""
    zero, one = np.zeros(len(catalogue.ids)), np.ones(len(catalogue.ids))
    rung: Rung = "catalogue"
    rungs = (rung,) * len(catalogue.ids)
    return Adaptation(
        rungs, zero, zero, zero, catalogue.softness_by_fault, one, zero, unrelated=zero, yes_share=zero
    )


def edges_adaptation(catalogue: Catalogue, shift: Array) -> Adaptation:
    """Edges moved by so much and known exactly, as a coach has them who is known."""
    default = default_adaptation(catalogue)
    rungs: list[Rung] = list(default.rungs)
    for column in np.flatnonzero(shift):
        rungs[column] = "edges"
    return replace(default, rungs=tuple(rungs), shift=shift)


def saved_adaptation(kept: CoachAdaptation, catalogue: Catalogue) -> Adaptation:
    """The adaptation that a folder holds."""
    seen = [kept.faults[fault] for fault in catalogue.ids]
    inclusion, shift, shift_sd, softness, slope, offset, unrelated, yes_share = (
        np.array([getattr(each, name) for each in seen]) for name in BY_FAULT
    )
    return Adaptation(
        tuple(each.rung for each in seen),
        inclusion,
        shift,
        shift_sd,
        softness,
        slope,
        offset,
        unrelated,
        yes_share,
        lapse_rate=kept.lapse_rate,
        lapse_rate_sd=kept.lapse_rate_sd,
        band=kept.band,
        abstain_rate=kept.abstain_rate,
        covariates=saved_covariates(kept, catalogue.ids),
    )


def chance(classifier: FaultModel, labelled: Labelled, adaptation: Adaptation) -> Array:
    """Chance of a yes without lapses, ``(n_swings, n_faults)``, as of `with_adaptation`; NaN where not assessed."""
    spread = np.sqrt(adaptation.softness**2 + adaptation.shift_sd**2 + labelled.sd**2)
    past = labelled.past - adaptation.shift
    if adaptation.covariates is not None:
        past = past - adaptation.covariates.moved(labelled.past)
    odds = logit(calibrated(classifier, slice(None), ndtr(past / spread) * labelled.guard))
    return expit(adaptation.offset + adaptation.slope * odds)


def calibrated(classifier: FaultModel, column: int | slice, raw: Array) -> Array:
    """The model's probabilities of chances at an edge."""
    odds = logit(np.clip(raw, 1e-5, 1 - 1e-5))
    return expit(classifier.offset[column] + classifier.slope[column] * odds)


def guard_chance(classifier: FaultModel, past: Array, sd: Array, probability: Array) -> Array:
    """The chance that a guard holds, read back from a probability at the edge that `past` is relative to."""
    guard = np.ones_like(past)
    for column in classifier.guarded:
        raw = expit(
            (logit(np.clip(probability[:, column], 1e-9, 1 - 1e-9)) - classifier.offset[column])
            / classifier.slope[column]
        )
        alone = ndtr(past[:, column] / np.hypot(classifier.softness[column], sd[:, column]))
        guard[:, column] = np.clip(raw / np.maximum(alone, 1e-5), 0, 1)
    return guard


def golfer_weights(golfers: NDArray[np.object_]) -> Array:
    """What each answer counts, ``(n_answers,)``: less the more there are about swings of the golfer."""
    _, owner, count = np.unique(golfers, return_inverse=True, return_counts=True)
    return np.asarray(1 / (1 + _SAME_GOLFER * (count[owner] - 1)))


def log_losses(answers: Array, predicted: Array) -> Array:
    """Log loss of every yes and no; NaN where there is neither."""
    predicted = np.clip(predicted, 1e-6, 1 - 1e-6)
    sure = np.isfinite(answers) & (answers != UNSURE)
    return np.where(sure, -np.where(answers == 1, np.log(predicted), np.log1p(-predicted)), np.nan)


def golfer_folds(golfers: NDArray[np.object_], *, folds: int, seed: int = 0) -> NDArray[np.int64]:
    """A fold for each swing by a hash of its golfer: a golfer stays in one, whoever else is labelled later."""
    names, owner = np.unique(golfers, return_inverse=True)
    digests = [hashlib.sha256(f"{seed}\0{name}".encode()).digest() for name in names]
    return np.array([int.from_bytes(digest[:8]) % folds for digest in digests], dtype=np.int64)[owner]
