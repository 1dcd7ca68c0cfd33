"""Learn a coach's eye from their answers: where each edge lies for them, how soft it is, and how often they slip.

A coach's edge for fault f lies ``delta_f`` past the catalogue's, ``delta_f ~ N(mu_g, tau^2)`` with a mean shared by the
faults of a group, all in units of the edge's softness. A swing whose measure is known as N(m, sd^2) gets a yes with

    P(yes) = slip + (1 - 2 slip) * chance(m, sd, delta_f, softness_f),

`chance` being the model's own calibrated probability at the moved edge. A coach who may answer unsure says yes past the
far side of a band about the edge, no short of its near side, and unsure within; its width is one for all faults.
Everything is summed on grids: no step size, no start, the same answer for the same labels. Swings of one golfer share
what is misread, so they count for less than as many of different golfers. Beside it stands the thought that the answers
have nothing to do with the measures (each fault a share of yes of its own): labels in the wrong rows should move
nothing.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaln, expit, logsumexp, ndtr
from scipy.stats import beta, norm

from faultml.classifier.faults import FaultClassifier
from faultml.faults.catalogue import Catalogue
from faultml.pipelines.judged import UNSURE, Eye, Judged, calibrated, default_eye, golfer_weights

Array = NDArray[np.float64]

GROUPS: Final = {
    "takeaway": ("flexed_takeaway", "fanned_takeaway", "early_set"),
    "top": ("underset", "overset", "flexed_top", "cupped_top", "recupping"),
}
"""Faults whose edges a coach may move together; all others are faults of the release."""

_DELTA: Final = np.linspace(-4, 4, 65)
_RATIO: Final = np.array([0.6, 0.8, 1.0, 1.3, 1.7])
_RATIO_PRIOR: Final = np.array([0.08, 0.2, 0.44, 0.2, 0.08])
_SLIP: Final = np.array(
    [0.002, 0.006, 0.012, 0.02, 0.03, 0.045, 0.06, 0.08, 0.1, 0.12, 0.135, 0.15, 0.165, 0.18, 0.2, 0.23, 0.27,
     0.32, 0.4]
)  # fmt: skip
"""Fine, since a slip rate put too high lets edges seem sharper than they are, which confident misses pay for."""
_SLIP_PRIOR: Final = (1.2, 18.0)
_TAU: Final = np.array([0.15, 0.4, 0.8, 1.4])
_MU: Final = np.linspace(-2.5, 2.5, 41)
_MU_SD: Final = 0.6
_UNRELATED: Final = 0.02
"""Chance, beforehand, that labels do not go with what is measured."""

_BAND: Final = np.array([0.05, 0.15, 0.3, 0.5, 0.75, 1.0, 1.4])
_BAND_PRIOR: Final = norm.pdf(np.log(_BAND), np.log(0.4), 0.8)
_SHRUG: Final = np.array([0.001, 0.01, 0.03, 0.08, 0.15, 0.3, 0.5])
_SHRUG_PRIOR: Final = beta.pdf(_SHRUG, 1, 12)
_ROUGH_SLIPS: Final = (3, 7, 11)
_ROUGH_DELTAS: Final = slice(None, None, 4)
_ROUGH_SD: Final = 1.0


class _Grid(NamedTuple):
    """Where a likelihood is read off: shifts and softnesses in units of the softness, and slips."""

    delta: Array
    ratio: Array
    slip: Array


_FULL: Final = _Grid(_DELTA, _RATIO, _SLIP)
_ROUGH: Final = _Grid(_DELTA[_ROUGH_DELTAS], np.ones(1), _SLIP[list(_ROUGH_SLIPS)])


def learn_eye(catalogue: Catalogue, classifier: FaultClassifier, judged: Judged) -> Eye:
    """A coach's eye from their answers; with none, the catalogue's own edges."""
    if not judged.known.any():
        return default_eye(catalogue)
    band, shrug = _how_unsure(catalogue, classifier, judged)
    likelihood = _likelihood(catalogue, classifier, judged, _FULL, band, shrug)
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
        band,
        shrug,
    )


def _groups(catalogue: Catalogue) -> NDArray[np.int64]:
    named = {fault: k for k, faults in enumerate(GROUPS.values()) for fault in faults}
    _, groups = np.unique([named.get(fault, len(GROUPS)) for fault in catalogue.ids], return_inverse=True)
    return groups.astype(np.int64)


def _how_unsure(catalogue: Catalogue, classifier: FaultClassifier, judged: Judged) -> tuple[float, float]:
    """The likeliest band and share of shrugs, on a rough grid of the rest; (0, 0) where nobody was unsure."""
    if not (judged.heard & ~judged.known).any():
        return 0.0, 0.0
    prior = norm.logpdf(_ROUGH.delta, 0, _ROUGH_SD)[:, None]
    found = np.empty((len(_BAND), len(_SHRUG)))
    for k, band in enumerate(_BAND):
        for m, shrug in enumerate(_SHRUG):
            each = _likelihood(catalogue, classifier, judged, _ROUGH, float(band), float(shrug)) + prior
            found[k, m] = logsumexp(logsumexp(each, axis=(2, 3)).sum(axis=0))
    found += np.log(_BAND_PRIOR)[:, None] + np.log(_SHRUG_PRIOR)
    at, other = np.unravel_index(found.argmax(), found.shape)
    return float(_BAND[at]), float(_SHRUG[other])


def _likelihood(
    catalogue: Catalogue, classifier: FaultClassifier, judged: Judged, grid: _Grid, band: float, shrug: float
) -> Array:
    """Log likelihood of each fault's answers, ``(n_faults, n_slips, n_deltas, n_ratios)``."""
    soft = catalogue.softness_by_fault
    shape = (len(soft), len(grid.slip), len(grid.delta), len(grid.ratio))
    likelihood = np.zeros(shape)
    for column in range(shape[0]):
        heard = judged.heard[:, column]
        if not heard.any():
            continue
        past, sd = judged.past[heard, column, None, None], judged.sd[heard, column, None, None]
        guard = judged.guard[heard, column, None, None]
        beyond = past / soft[column] - grid.delta[:, None]
        spread = np.hypot(grid.ratio, sd / soft[column])
        over, not_short = (
            calibrated(classifier, column, ndtr((beyond - side) / spread) * guard).reshape(len(past), -1)
            for side in (band, -band)
        )
        answers, weight = judged.answers[heard, column], golfer_weights(judged.golfers[heard])
        sure = answers != UNSURE
        between = np.maximum(not_short - over, 1e-9)[~sure]
        torn = weight[~sure] @ np.log(shrug + (1 - shrug) * between) + weight[sure].sum() * np.log1p(-shrug)
        yes = (answers[sure] == 1)[:, None]
        said, turned = np.where(yes, (over[sure], 1 - not_short[sure]), (1 - not_short[sure], over[sure]))
        for k, slip in enumerate(grid.slip):
            told = weight[sure] @ np.log((1 - slip) * said + slip * turned)
            likelihood[column, k] = (told + torn).reshape(shape[2:])
    return likelihood


def _log_slip_prior() -> Array:
    density = beta.pdf(_SLIP, *_SLIP_PRIOR) * np.gradient(_SLIP)
    return np.asarray(np.log(density / density.sum()))


def _unrelated_evidence(judged: Judged) -> float:
    """Log evidence of a share of yes for each fault, every share as likely, whatever was measured.

    Unsure answers are a share of all answers, where there are any.
    """
    total, answered, unsure = 0.0, 0.0, 0.0
    for column in range(judged.past.shape[1]):
        heard = judged.heard[:, column]
        answers, weight = judged.answers[heard, column], golfer_weights(judged.golfers[heard])
        yes, no = float(weight @ (answers == 1)), float(weight @ (answers == 0))
        total += float(betaln(1 + yes, 1 + no))
        answered += yes + no
        unsure += float(weight @ (answers == UNSURE))
    return total + float(betaln(1 + unsure, 1 + answered)) if unsure else total
