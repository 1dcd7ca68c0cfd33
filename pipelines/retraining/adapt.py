"""Learn a coach adaptation from their answers: where each edge lies for them, how soft it is, and how often they lapse.

A coach's edge for fault f lies ``delta_f`` past the catalogue's, ``delta_f ~ N(mu_g, tau^2)`` with a mean shared by the
faults of a group, all in units of the edge's softness. A swing whose measure is known as N(m, sd^2) gets a yes with

    P(yes) = lapse_rate + (1 - 2 lapse_rate) * chance(m, sd, delta_f, softness_f),

`chance` being the model's own calibrated probability at the moved edge. A coach who may answer unsure says yes past the
far side of a band about the edge, no short of its near side, and unsure within; its width is one for all faults.
Everything is summed on grids: no step size, no start, the same answer for the same labels. Swings of one golfer share
what is misread, so they count for less than as many of different golfers. Beside it stands the thought that the answers
have nothing to do with the measures (each fault a share of yes of its own): labels in the wrong rows should move
nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaln, expit, logsumexp, ndtr
from scipy.stats import beta, norm

from faultml.faults.catalogue import Catalogue
from faultml.pipelines.retraining.labelled import (
    UNSURE,
    Adaptation,
    Labelled,
    calibrated,
    default_adaptation,
    golfer_weights,
)
from faultml.runtime.faults import FaultModel

Array = NDArray[np.float64]

GROUPS: Final = {
    "takeaway": ("flexed_takeaway", "fanned_takeaway", "early_set"),
    "top": ("underset", "overset", "flexed_top", "cupped_top", "recupping"),
}
"""Faults whose edges a coach may move together; all others are faults of the release."""

_DELTA: Final = np.linspace(-4, 4, 65)
_RATIO: Final = np.array([0.6, 0.8, 1.0, 1.3, 1.7])
_RATIO_PRIOR: Final = np.array([0.08, 0.2, 0.44, 0.2, 0.08])
_LAPSE_RATE: Final = np.array(
    [0.002, 0.006, 0.012, 0.02, 0.03, 0.045, 0.06, 0.08, 0.1, 0.12, 0.135, 0.15, 0.165, 0.18, 0.2, 0.23, 0.27,
     0.32, 0.4]
)  # fmt: skip
"""Fine, since a lapse rate put too high lets edges seem sharper than they are, which confident misses pay for."""
_LAPSE_RATE_PRIOR: Final = (1.2, 18.0)
_TAU: Final = np.array([0.15, 0.4, 0.8, 1.4])
_MU: Final = np.linspace(-2.5, 2.5, 41)
_MU_SD: Final = 0.6
_UNRELATED: Final = 0.02
"""Chance, beforehand, that labels do not go with what is measured."""

_BAND: Final = np.array([0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.65, 0.8, 1.0, 1.4])
_BAND_PRIOR: Final = np.array(
    [0.2, *0.8 * norm.pdf(_BAND[1:], 0.3, 0.4) / norm.pdf(_BAND[1:], 0.3, 0.4).sum()]
)
_ABSTAIN_RATE: Final = np.array([0.001, 0.01, 0.03, 0.05, 0.08, 0.12, 0.16, 0.2, 0.3, 0.5])
_ABSTAIN_RATE_PRIOR: Final = beta.pdf(_ABSTAIN_RATE, 1, 12)
_ROUGH_SD: Final = 1.0


class _Grid(NamedTuple):
    """Where a likelihood is read off: shifts and softnesses in units of the softness, and lapse rates."""

    delta: Array
    ratio: Array
    lapse_rate: Array


_FULL: Final = _Grid(_DELTA, _RATIO, _LAPSE_RATE)
_ROUGH: Final = _Grid(_DELTA[::4], np.ones(1), np.array([0.01, 0.05, 0.15]))


def learn_adaptation(catalogue: Catalogue, classifier: FaultModel, labelled: Labelled) -> Adaptation:
    """A coach adaptation from their answers; with none, the catalogue's own edges."""
    if not labelled.known.any():
        return default_adaptation(catalogue)
    band, abstain_rate = _how_unsure(catalogue, classifier, labelled)
    likelihood = _likelihood(catalogue, classifier, labelled, band, abstain_rate)
    prior = norm.pdf(_DELTA, _MU[:, None], _TAU[:, None, None])
    prior /= prior.sum(axis=-1, keepdims=True)
    mean_prior = norm.pdf(_MU, 0, _MU_SD)
    mean_prior /= mean_prior.sum()
    top = likelihood.max(axis=(2, 3), keepdims=True)
    scaled = np.einsum("fedr,r->fed", np.exp(likelihood - top), _RATIO_PRIOR)
    # Evidence of each fault for a group's mean m and spread t, at each lapse rate e.
    one = np.log(np.einsum("fed,tmd->fetm", scaled, prior) + 1e-300) + top[:, :, 0, :, None]
    groups = _groups(catalogue)
    together = np.stack([one[groups == g].sum(axis=0) for g in np.unique(groups)]) + np.log(mean_prior)
    evidence = logsumexp(together, axis=-1).sum(axis=0) + _log_lapse_rate_prior()[:, None] - np.log(len(_TAU))
    total = logsumexp(evidence)
    weight = np.exp(evidence - total)  # (lapse_rate, tau)
    mean = np.exp(together - logsumexp(together, axis=-1, keepdims=True))  # (group, lapse_rate, tau, mu)
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
    lapse_rates = weight.sum(axis=1)
    lapse_rate = float(lapse_rates @ _LAPSE_RATE)
    against = _unrelated_evidence(labelled) + np.log(_UNRELATED) - total - np.log1p(-_UNRELATED)
    return Adaptation(
        shift * soft,
        shift_sd * soft,
        ratio * soft,
        lapse_rate,
        float(np.sqrt(max(lapse_rates @ _LAPSE_RATE**2 - lapse_rate**2, 0.0))),
        float(expit(against)),
        band,
        abstain_rate,
    )


def _groups(catalogue: Catalogue) -> NDArray[np.int64]:
    named = {fault: k for k, faults in enumerate(GROUPS.values()) for fault in faults}
    _, groups = np.unique([named.get(fault, len(GROUPS)) for fault in catalogue.ids], return_inverse=True)
    return groups.astype(np.int64)


def _how_unsure(catalogue: Catalogue, classifier: FaultModel, labelled: Labelled) -> tuple[float, float]:
    """The likeliest band and abstain rate, on a rough grid of the rest; (0, 0) where nobody was unsure."""
    if not (labelled.answered & ~labelled.known).any():
        return 0.0, 0.0
    prior = norm.logpdf(_ROUGH.delta, 0, _ROUGH_SD)
    found = np.zeros((len(_BAND), len(_ABSTAIN_RATE), len(_ROUGH.lapse_rate)))
    for k, band in enumerate(_BAND):
        for chances in _answer_chances(catalogue, classifier, labelled, _ROUGH, float(band)):
            each = (
                chances.log_likelihood_unsure(_ABSTAIN_RATE)[:, None]
                + chances.log_likelihood(_ROUGH.lapse_rate)
                + prior
            )
            found[k] += logsumexp(each, axis=-1)
    likely = logsumexp(found, axis=-1) + np.log(_BAND_PRIOR)[:, None] + np.log(_ABSTAIN_RATE_PRIOR)
    at, other = np.unravel_index(likely.argmax(), likely.shape)
    return float(_BAND[at]), float(_ABSTAIN_RATE[other])


def _likelihood(
    catalogue: Catalogue, classifier: FaultModel, labelled: Labelled, band: float, abstain_rate: float
) -> Array:
    """Log likelihood of each fault's answers, ``(n_faults, n_lapse_rates, n_deltas, n_ratios)``."""
    shape = len(_LAPSE_RATE), len(_DELTA), len(_RATIO)
    likelihood = np.zeros((len(catalogue.ids), *shape))
    for chances in _answer_chances(catalogue, classifier, labelled, _FULL, band):
        each = chances.log_likelihood(_LAPSE_RATE) + chances.log_likelihood_unsure(np.array([abstain_rate]))
        likelihood[chances.column] = each.reshape(shape)
    return likelihood


class _AnswerChances(NamedTuple):
    """The answers about one fault, with their chances on a grid of ``m`` cells.

    Attributes
    ----------
    yes
        ``(n,)`` of the answers yes and no, which are yes.
    over, short
        ``(n, m)`` chance that the swing is past the band, and short of it.
    weight
        ``(n,)``.
    within, unsure_weight
        The same of the unsure answers: the chance that the swing is within the band.
    """

    column: int
    yes: NDArray[np.bool_]
    over: Array
    short: Array
    weight: Array
    within: Array
    unsure_weight: Array

    def log_likelihood(self, lapse_rates: Array) -> Array:
        """Log likelihood of yes and no, ``(n_lapse_rates, m)``."""
        right = np.where(self.yes[:, None], self.over, self.short)
        wrong = np.where(self.yes[:, None], self.short, self.over)
        return np.stack(
            [
                self.weight @ np.log((1 - lapse_rate) * right + lapse_rate * wrong)
                for lapse_rate in lapse_rates
            ]
        )

    def log_likelihood_unsure(self, abstain_rates: Array) -> Array:
        """Log likelihood of being unsure, or not, ``(n_abstain_rates, m)``."""
        unsure = [
            self.unsure_weight @ np.log(abstain_rate + (1 - abstain_rate) * self.within)
            for abstain_rate in abstain_rates
        ]
        return np.stack(unsure) + self.weight.sum() * np.log1p(-abstain_rates)[:, None]


def _answer_chances(
    catalogue: Catalogue, classifier: FaultModel, labelled: Labelled, grid: _Grid, band: float
) -> Iterator[_AnswerChances]:
    for column, soft in enumerate(catalogue.softness_by_fault):
        answered = labelled.answered[:, column]
        if not answered.any():
            continue
        past, sd = (
            labelled.past[answered, column, None, None] / soft,
            labelled.sd[answered, column, None, None] / soft,
        )
        guard, spread = labelled.guard[answered, column, None, None], np.hypot(grid.ratio, sd)
        over, not_short = (
            calibrated(classifier, column, ndtr((past - grid.delta[:, None] - side) / spread) * guard)
            for side in (band, -band)
        )
        over, not_short = over.reshape(len(past), -1), not_short.reshape(len(past), -1)
        answers, weight = labelled.answers[answered, column], golfer_weights(labelled.golfers[answered])
        sure = answers != UNSURE
        yield _AnswerChances(
            column,
            answers[sure] == 1,
            over[sure],
            1 - not_short[sure],
            weight[sure],
            np.maximum(not_short - over, 1e-9)[~sure],
            weight[~sure],
        )


def _log_lapse_rate_prior() -> Array:
    density = beta.pdf(_LAPSE_RATE, *_LAPSE_RATE_PRIOR) * np.gradient(_LAPSE_RATE)
    return np.asarray(np.log(density / density.sum()))


def _unrelated_evidence(labelled: Labelled) -> float:
    """Log evidence of a share of yes for each fault, every share as likely, whatever was measured.

    Unsure answers are a share of all answers, where there are any.
    """
    total, decided, unsure = 0.0, 0.0, 0.0
    for column in range(labelled.past.shape[1]):
        answered = labelled.answered[:, column]
        answers, weight = labelled.answers[answered, column], golfer_weights(labelled.golfers[answered])
        yes, no = float(weight @ (answers == 1)), float(weight @ (answers == 0))
        total += float(betaln(1 + yes, 1 + no))
        decided += yes + no
        unsure += float(weight @ (answers == UNSURE))
    return total + float(betaln(1 + unsure, 1 + decided)) if unsure else total
