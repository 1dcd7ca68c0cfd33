"""What a coach said of measured swings, and what an adaptation predicts of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit, ndtr

from faultml.classifier.coach_adaptation import CoachAdaptation, saved_covariates
from faultml.faults.catalogue import Catalogue
from faultml.runtime.faults import CovariateThresholds, FaultModel

Array = NDArray[np.float64]

UNSURE: Final = 0.5
"""The answer of a coach who cannot say."""
_SAME_GOLFER: Final = 0.1
"""Correlation, between swings of one golfer, of what is misread."""


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
    """

    past: Array
    sd: Array
    guard: Array
    answers: Array
    golfers: NDArray[np.object_]

    def rows(self, which: NDArray[np.bool_] | NDArray[np.int64]) -> Labelled:
        """Some of the swings."""
        return Labelled(
            self.past[which], self.sd[which], self.guard[which], self.answers[which], self.golfers[which]
        )

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
    shift, shift_sd, softness
        See `faultml.classifier.coach_adaptation.FaultAdaptation`.
    lapse_rate, lapse_rate_sd
        Share of answers the wrong way round.
    unrelated
        Chance that the answers have nothing to do with what is measured.
    band
        How far on either side of the edge this coach is unsure, in softnesses.
    abstain_rate
        Share of answers that are unsure wherever the swing lies.
    covariates
        What else the coach goes by; None where the edges say all.
    """

    shift: Array
    shift_sd: Array
    softness: Array
    lapse_rate: float
    lapse_rate_sd: float
    unrelated: float
    band: float = 0.0
    abstain_rate: float = 0.0
    covariates: CovariateThresholds | None = None

    @property
    def adopted(self) -> bool:
        """Whether the labels are to be believed."""
        return self.unrelated < 0.5


def default_adaptation(catalogue: Catalogue) -> Adaptation:
    """The catalogue's own edges."""
    zero = np.zeros(len(catalogue.ids))
    return Adaptation(zero, zero, catalogue.softness_by_fault, 0.0, 0.0, 0.0)


def saved_adaptation(kept: CoachAdaptation, catalogue: Catalogue) -> Adaptation:
    """The adaptation that a folder holds."""
    seen = [kept.faults[fault] for fault in catalogue.ids]
    shift, shift_sd, softness = (
        np.array([getattr(each, name) for each in seen]) for name in ("shift", "shift_sd", "softness")
    )
    covariates = saved_covariates(kept, catalogue.ids)
    return Adaptation(
        shift,
        shift_sd,
        softness,
        kept.lapse_rate,
        kept.lapse_rate_sd,
        kept.unrelated,
        kept.band,
        kept.abstain_rate,
        covariates,
    )


def believed(catalogue: Catalogue, adaptation: Adaptation) -> Adaptation:
    """The adaptation, or the catalogue's own edges where the labels do not go with what is measured."""
    return adaptation if adaptation.adopted else default_adaptation(catalogue)


def chance(classifier: FaultModel, labelled: Labelled, adaptation: Adaptation) -> Array:
    """Chance of a yes without lapses, ``(n_swings, n_faults)``, as of `with_adaptation`; NaN where not assessed."""
    spread = np.sqrt(adaptation.softness**2 + adaptation.shift_sd**2 + labelled.sd**2)
    past = labelled.past - adaptation.shift
    if adaptation.covariates is not None:
        past = past - adaptation.covariates.moved(labelled.past)
    return calibrated(classifier, slice(None), ndtr(past / spread) * labelled.guard)


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
    """A fold for each swing, all swings of a golfer in one."""
    names, owner = np.unique(golfers, return_inverse=True)
    return np.asarray((np.random.default_rng(seed).permutation(len(names)) % folds)[owner])
