"""Learn a coach's eye from yes and no: where each edge lies for them, how soft it is, and how often they slip.

A coach's edge for fault f lies ``delta_f`` past the catalogue's, ``delta_f ~ N(mu_g, tau^2)`` with a mean shared by the
faults of a group, all in units of the edge's softness. A swing whose measure is known as N(m, sd^2) gets a yes with

    P(yes) = slip + (1 - 2 slip) * chance(m, sd, delta_f, softness_f),

`chance` being the model's own calibrated probability at the moved edge. Everything is summed on grids: no step size, no
start, the same answer for the same labels. Swings of one golfer share what is misread, so they count for less than as
many of different golfers. Beside it stands the thought that the answers have nothing to do with the measures (each
fault a share of yes of its own): labels in the wrong rows should move nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaln, expit, logit, logsumexp, ndtr
from scipy.stats import beta, norm

from faultml.classifier.faults import FaultClassifier
from faultml.faults.catalogue import Catalogue

Array = NDArray[np.float64]

GROUPS: Final = {
    "takeaway": ("flexed_takeaway", "fanned_takeaway", "early_set"),
    "top": ("underset", "overset", "flexed_top", "cupped_top", "recupping"),
}
"""Faults whose edges a coach may move together; all others are faults of the release."""

_DELTA: Final = np.linspace(-4, 4, 65)
_RATIO: Final = np.array([0.6, 0.8, 1.0, 1.3, 1.7])
_RATIO_PRIOR: Final = np.array([0.08, 0.2, 0.44, 0.2, 0.08])
_SLIP: Final = np.array([0.002, 0.01, 0.02, 0.04, 0.07, 0.11, 0.16, 0.22, 0.3, 0.4])
_SLIP_PRIOR: Final = (1.2, 18.0)
_TAU: Final = np.array([0.15, 0.4, 0.8, 1.4])
_MU: Final = np.linspace(-2.5, 2.5, 41)
_MU_SD: Final = 0.6
_SAME_GOLFER: Final = 0.1
"""Correlation, between swings of one golfer, of what is misread."""
_UNRELATED: Final = 0.02
"""Chance, beforehand, that labels do not go with what is measured."""


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
        ``(n_swings, n_faults)``: 1 yes, 0 no, NaN where unsure or not answered.
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
    def known(self) -> NDArray[np.bool_]:
        """Answered and assessed."""
        return np.isfinite(self.answers) & np.isfinite(self.past) & np.isfinite(self.sd)


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
    """

    shift: Array
    shift_sd: Array
    softness: Array
    slip: float
    slip_sd: float
    unrelated: float

    @property
    def adopted(self) -> bool:
        """Whether the labels are to be believed."""
        return self.unrelated < 0.5


def default_eye(catalogue: Catalogue) -> Eye:
    """The catalogue's own edges."""
    zero = np.zeros(len(catalogue.ids))
    return Eye(zero, zero, catalogue.softness_by_fault, 0.0, 0.0, 0.0)


def chance(classifier: FaultClassifier, judged: Judged, eye: Eye) -> Array:
    """Chance of a yes without slips, ``(n_swings, n_faults)``, as `with_eye` gives it; NaN where not assessed."""
    spread = np.sqrt(eye.softness**2 + eye.shift_sd**2 + judged.sd**2)
    return _calibrated(classifier, slice(None), ndtr((judged.past - eye.shift) / spread) * judged.guard)


def learn_eye(catalogue: Catalogue, classifier: FaultClassifier, judged: Judged) -> Eye:
    """A coach's eye from their answers; with none, the catalogue's own edges."""
    if not judged.known.any():
        return default_eye(catalogue)
    likelihood = _likelihood(catalogue, classifier, judged)
    prior = norm.pdf(_DELTA, _MU[:, None], _TAU[:, None, None])
    prior /= prior.sum(axis=-1, keepdims=True)
    mean_prior = norm.pdf(_MU, 0, _MU_SD)
    mean_prior /= mean_prior.sum()
    top = likelihood.max(axis=(2, 3), keepdims=True)
    scaled = np.einsum("fedr,r->fed", np.exp(likelihood - top), _RATIO_PRIOR)
    # Evidence of each fault for a group's mean m and spread t, at each slip e.
    one = np.log(np.einsum("fed,tmd->fetm", scaled, prior) + 1e-300) + top[:, :, 0, :, None]
    groups = _groups(catalogue)
    together = np.stack([one[groups == g].sum(axis=0) for g in np.unique(groups)]) + np.log(mean_prior)
    evidence = logsumexp(together, axis=-1).sum(axis=0) + _log_slip_prior()[:, None] - np.log(len(_TAU))
    total = logsumexp(evidence)
    weight = np.exp(evidence - total)  # (slip, tau)
    mean = np.exp(together - logsumexp(together, axis=-1, keepdims=True))  # (group, slip, tau, mu)
    count = len(catalogue.ids)
    shift, shift_sd, ratio = np.empty(count), np.empty(count), np.empty(count)
    for column in range(count):
        # What the mean is thought to be already holds this fault's answers: each m's own posterior of delta is used.
        at = np.exp(likelihood[column] - top[column]) * _RATIO_PRIOR
        each = one[column] - top[column, :, 0, :, None]
        outer = weight[:, :, None] * mean[groups[column]] / np.exp(np.maximum(each, -690))
        cells = np.einsum("etm,tmd->ed", outer, prior)[:, :, None] * at
        cells /= cells.sum()
        by_delta = cells.sum(axis=(0, 2))
        shift[column] = by_delta @ _DELTA
        shift_sd[column] = np.sqrt(max(by_delta @ _DELTA**2 - shift[column] ** 2, 0.0))
        ratio[column] = cells.sum(axis=(0, 1)) @ _RATIO
    soft = catalogue.softness_by_fault
    slips = weight.sum(axis=1)
    slip = float(slips @ _SLIP)
    against = _unrelated_evidence(judged) + np.log(_UNRELATED) - total - np.log1p(-_UNRELATED)
    return Eye(
        shift * soft,
        shift_sd * soft,
        ratio * soft,
        slip,
        float(np.sqrt(max(slips @ _SLIP**2 - slip**2, 0.0))),
        float(expit(against)),
    )


def believed(catalogue: Catalogue, eye: Eye) -> Eye:
    """The eye, or the catalogue's own edges where the labels do not go with what is measured."""
    return eye if eye.adopted else default_eye(catalogue)


def log_losses(answers: Array, told: Array) -> Array:
    """Log loss of every answer; NaN where there is none."""
    told = np.clip(told, 1e-6, 1 - 1e-6)
    return np.where(np.isfinite(answers), -np.where(answers == 1, np.log(told), np.log1p(-told)), np.nan)


def held_out_losses(
    catalogue: Catalogue, classifier: FaultClassifier, judged: Judged, *, folds: int = 5, seed: int = 0
) -> tuple[Array, Array]:
    """Log losses of the default model and of an eye learned on the other golfers, ``(n_swings, n_faults)`` each.

    Slips are part of both forecasts: of the default's too, so that a careless coach speaks for neither.
    """
    names, owner = np.unique(judged.golfers, return_inverse=True)
    fold = (np.random.default_rng(seed).permutation(len(names)) % folds)[owner]
    plain, own = np.full(judged.past.shape, np.nan), np.full(judged.past.shape, np.nan)
    for k in np.unique(fold):
        eye = learn_eye(catalogue, classifier, judged.rows(fold != k))
        out = judged.rows(fold == k)
        for losses, used in ((plain, default_eye(catalogue)), (own, believed(catalogue, eye))):
            told = eye.slip + (1 - 2 * eye.slip) * chance(classifier, out, used)
            losses[fold == k] = log_losses(np.where(out.known, out.answers, np.nan), told)
    return plain, own


def difference(own: Array, plain: Array, golfers: NDArray[np.object_], *, seed: int = 0) -> tuple[float, ...]:
    """Mean of own - plain with a 95 % interval, drawing golfers again (percentile bootstrap, 2000 draws)."""
    _, owner = np.unique(golfers, return_inverse=True)
    known = np.isfinite(own)
    apart = np.bincount(owner, np.where(known, own - plain, 0.0).sum(axis=1))
    count = np.bincount(owner, known.sum(axis=1))
    n = len(count)
    times = np.random.default_rng(seed).multinomial(n, np.full(n, 1 / n), size=2000)
    drawn = (times @ apart) / np.maximum(times @ count, 1)
    low, high = np.quantile(drawn, [0.025, 0.975])
    return float(apart.sum() / max(count.sum(), 1)), float(low), float(high)


def guard_chance(classifier: FaultClassifier, past: Array, sd: Array, probability: Array) -> Array:
    """The chance that a guard holds, read back from a probability at the edge that `past` is relative to."""
    guard = np.ones_like(past)
    for column in classifier.guarded:
        raw = expit(
            (logit(np.clip(probability[:, column], 1e-9, 1 - 1e-9)) - classifier.offset_[column])
            / classifier.slope_[column]
        )
        alone = ndtr(past[:, column] / np.hypot(classifier.softness[column], sd[:, column]))
        guard[:, column] = np.clip(raw / np.maximum(alone, 1e-5), 0, 1)
    return guard


def _groups(catalogue: Catalogue) -> NDArray[np.int64]:
    named = {fault: k for k, faults in enumerate(GROUPS.values()) for fault in faults}
    _, groups = np.unique([named.get(fault, len(GROUPS)) for fault in catalogue.ids], return_inverse=True)
    return groups.astype(np.int64)


def _calibrated(classifier: FaultClassifier, column: int | slice, raw: Array) -> Array:
    odds = logit(np.clip(raw, 1e-5, 1 - 1e-5))
    return expit(classifier.offset_[column] + classifier.slope_[column] * odds)


def _golfer_weights(judged: Judged, column: int) -> Array:
    """What each known answer counts: less the more swings of the golfer there are."""
    known = judged.known[:, column]
    _, owner, count = np.unique(judged.golfers[known], return_inverse=True, return_counts=True)
    return 1 / (1 + _SAME_GOLFER * (count[owner] - 1))


def _likelihood(catalogue: Catalogue, classifier: FaultClassifier, judged: Judged) -> Array:
    """Log likelihood of each fault's answers, ``(n_faults, n_slips, n_deltas, n_ratios)``."""
    soft = catalogue.softness_by_fault
    shape = (len(soft), len(_SLIP), len(_DELTA), len(_RATIO))
    likelihood = np.zeros(shape)
    for column in range(shape[0]):
        known = judged.known[:, column]
        if not known.any():
            continue
        past, sd = judged.past[known, column, None, None], judged.sd[known, column, None, None]
        spread = np.hypot(_RATIO * soft[column], sd)
        raw = ndtr((past - _DELTA[:, None] * soft[column]) / spread) * judged.guard[known, column, None, None]
        yes = judged.answers[known, column] == 1
        said = _calibrated(classifier, column, raw)
        said = np.where(yes[:, None, None], said, 1 - said).reshape(len(said), -1)
        weight = _golfer_weights(judged, column)
        for k, slip in enumerate(_SLIP):
            likelihood[column, k] = (weight @ np.log(slip + (1 - 2 * slip) * said)).reshape(shape[2:])
    return likelihood


def _log_slip_prior() -> Array:
    density = beta.pdf(_SLIP, *_SLIP_PRIOR) * np.gradient(_SLIP)
    return np.asarray(np.log(density / density.sum()))


def _unrelated_evidence(judged: Judged) -> float:
    """Log evidence of a share of yes for each fault, every share as likely, whatever was measured."""
    total = 0.0
    for column in range(judged.past.shape[1]):
        weight = _golfer_weights(judged, column)
        yes = float(weight @ judged.answers[judged.known[:, column], column])
        total += float(betaln(1 + yes, 1 + weight.sum() - yes))
    return total
