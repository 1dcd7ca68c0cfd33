"""What a coach said of measured swings, and what an eye foretells of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit, ndtr

from faultml.classifier.coach_eye import CoachEye, kept_leaning
from faultml.faults.catalogue import Catalogue
from faultml.runtime.faults import FaultModel, Leaning

Array = NDArray[np.float64]

UNSURE: Final = 0.5
"""The answer of a coach who cannot say."""
_SAME_GOLFER: Final = 0.1
"""Correlation, between swings of one golfer, of what is misread."""


@dataclass(frozen=True)
class Judged:
    """Judged swings.

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

    def rows(self, which: NDArray[np.bool_] | NDArray[np.int64]) -> Judged:
        """Some of the swings."""
        return Judged(
            self.past[which], self.sd[which], self.guard[which], self.answers[which], self.golfers[which]
        )

    @property
    def heard(self) -> NDArray[np.bool_]:
        """Answered in any way, and assessed."""
        return np.isfinite(self.answers) & np.isfinite(self.past) & np.isfinite(self.sd)

    @property
    def known(self) -> NDArray[np.bool_]:
        """Answered yes or no, and assessed."""
        return self.heard & (self.answers != UNSURE)


@dataclass(frozen=True)
class Eye:
    """What is known of a coach, ``(n_faults,)`` each, in each fault's unit.

    Attributes
    ----------
    shift, shift_sd, softness
        See `faultml.classifier.coach_eye.FaultEye`.
    slip, slip_sd
        Share of answers the wrong way round.
    unrelated
        Chance that the answers have nothing to do with what is measured.
    band
        How far on either side of the edge this coach is unsure, in softnesses.
    shrug
        Share of answers that are unsure wherever the swing lies.
    leaning
        What else the coach goes by; None where the edges say all.
    """

    shift: Array
    shift_sd: Array
    softness: Array
    slip: float
    slip_sd: float
    unrelated: float
    band: float = 0.0
    shrug: float = 0.0
    leaning: Leaning | None = None

    @property
    def adopted(self) -> bool:
        """Whether the labels are to be believed."""
        return self.unrelated < 0.5


def default_eye(catalogue: Catalogue) -> Eye:
    """The catalogue's own edges."""
    zero = np.zeros(len(catalogue.ids))
    return Eye(zero, zero, catalogue.softness_by_fault, 0.0, 0.0, 0.0)


def kept_eye(kept: CoachEye, catalogue: Catalogue) -> Eye:
    """The eye that a folder holds."""
    seen = [kept.faults[fault] for fault in catalogue.ids]
    shift, shift_sd, softness = (
        np.array([getattr(each, name) for each in seen]) for name in ("shift", "shift_sd", "softness")
    )
    leaning = kept_leaning(kept, catalogue.ids)
    return Eye(
        shift, shift_sd, softness, kept.slip, kept.slip_sd, kept.unrelated, kept.band, kept.shrug, leaning
    )


def believed(catalogue: Catalogue, eye: Eye) -> Eye:
    """The eye, or the catalogue's own edges where the labels do not go with what is measured."""
    return eye if eye.adopted else default_eye(catalogue)


def chance(classifier: FaultModel, judged: Judged, eye: Eye) -> Array:
    """Chance of a yes without slips, ``(n_swings, n_faults)``, as `with_eye` gives it; NaN where not assessed."""
    spread = np.sqrt(eye.softness**2 + eye.shift_sd**2 + judged.sd**2)
    past = judged.past - eye.shift
    if eye.leaning is not None:
        past = past - eye.leaning.moved(judged.past)
    return calibrated(classifier, slice(None), ndtr(past / spread) * judged.guard)


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


def log_losses(answers: Array, told: Array) -> Array:
    """Log loss of every yes and no; NaN where there is neither."""
    told = np.clip(told, 1e-6, 1 - 1e-6)
    sure = np.isfinite(answers) & (answers != UNSURE)
    return np.where(sure, -np.where(answers == 1, np.log(told), np.log1p(-told)), np.nan)


def golfer_folds(golfers: NDArray[np.object_], *, folds: int, seed: int = 0) -> NDArray[np.int64]:
    """A fold for each swing, all swings of a golfer in one."""
    names, owner = np.unique(golfers, return_inverse=True)
    return np.asarray((np.random.default_rng(seed).permutation(len(names)) % folds)[owner])
