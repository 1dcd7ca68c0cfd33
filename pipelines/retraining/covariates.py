"""What else a coach goes by: an edge that moves with the rest of the swing, where golfers held out say that it does.

A coach may judge a fault at another moment than the catalogue, or weigh two things at once. What they go by is then
not the fault's measure alone, and no edge on it explains their answers. Here the edge moves with the swing's other
measures,

    edge of a swing = edge + softness * sum over others of coefficient * z,    z = (measure - middle) / spread, at most
    3,

a ridge pulling each coefficient to 0, so that few answers change nothing. A fault has covariates only where it has
answers enough and where the others' measures predict answers about golfers left out of the fit.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit, ndtr

from faultml.faults.catalogue import Catalogue
from faultml.pipelines.retraining.adapt import learn_adaptation
from faultml.pipelines.retraining.labelled import Adaptation, Labelled, golfer_folds, golfer_weights
from faultml.runtime.faults import CovariateThresholds, FaultModel

Array = NDArray[np.float64]

MIN_ANSWERS: Final = 300
"""Answers to a fault, of at least `MIN_OF_EACH` yes and as many no, for it to have covariates."""
MIN_OF_EACH: Final = 15
MIN_GOLFERS: Final = 40
_RIDGES: Final = (0.1, 0.2, 0.4)
"""Prior SD of a coefficient, in softnesses."""
_Z: Final = 2.3
"""How many standard errors, over golfers, covariates must predict better by."""
_FOLDS: Final = 5
_SPLITS: Final = 2
_ROUNDS: Final = 2
_MAX_STEPS: Final = 40
_SETTLED: Final = 1e-4
_DENSITY: Final = 1 / np.sqrt(2 * np.pi)


def learn_covariate_adaptation(
    catalogue: Catalogue, classifier: FaultModel, labelled: Labelled
) -> Adaptation:
    """A coach adaptation with what else they go by, where there are answers enough to say."""
    adaptation = learn_adaptation(catalogue, classifier, labelled)
    if not adaptation.adopted or labelled.known.sum(axis=0).max() < MIN_ANSWERS:
        return adaptation
    past = np.ma.masked_invalid(labelled.past)
    soft = catalogue.softness_by_fault
    spread = np.maximum(past.std(axis=0).filled(0.0), 0.5 * soft)
    covariates = CovariateThresholds(np.zeros((len(soft), len(soft))), past.mean(axis=0).filled(0.0), spread)
    inputs = covariates.standardised(labelled.past)
    ridges = [
        _ridge(catalogue, classifier, labelled, adaptation, inputs, column) for column in range(len(soft))
    ]
    if not any(ridges):
        return adaptation
    for _ in range(_ROUNDS):
        coefficients = np.zeros_like(covariates.coefficients)
        for column, ridge in enumerate(ridges):
            if ridge:
                known = labelled.known[:, column]
                fit = _Fit(catalogue, classifier, labelled, adaptation, inputs, column, known)
                coefficients[column] = fit.coefficients(ridge)
        covariates = replace(covariates, coefficients=coefficients)
        straight = replace(labelled, past=labelled.past - covariates.moved(labelled.past))
        adaptation = replace(learn_adaptation(catalogue, classifier, straight), covariates=covariates)
    return adaptation


def _ridge(
    catalogue: Catalogue,
    classifier: FaultModel,
    labelled: Labelled,
    adaptation: Adaptation,
    inputs: Array,
    column: int,
) -> float:
    """The ridge with which a fault's covariates predict best; 0 where it should have none."""
    known = labelled.known[:, column]
    yes = int((labelled.answers[known, column] == 1).sum())
    golfers, owner = np.unique(labelled.golfers, return_inverse=True)
    few = len(np.unique(owner[known])) < MIN_GOLFERS
    if known.sum() < MIN_ANSWERS or min(yes, known.sum() - yes) < MIN_OF_EACH or few:
        return 0.0
    gained = np.zeros((len(_RIDGES), len(golfers)))
    for seed in range(_SPLITS):
        fold = golfer_folds(labelled.golfers, folds=_FOLDS, seed=seed)
        for k in range(_FOLDS):
            fit = _Fit(catalogue, classifier, labelled, adaptation, inputs, column, known & (fold != k))
            out = known & (fold == k)
            held = _Fit(catalogue, classifier, labelled, adaptation, inputs, column, out)
            straight, *covariates = (
                np.log(held.likelihood(fit.solve(ridge))[0]) for ridge in (0.0, *_RIDGES)
            )
            gained += [
                np.bincount(owner[out], each - straight, minlength=len(golfers)) / _SPLITS
                for each in covariates
            ]
    total, error = gained.sum(axis=1), gained.std(axis=1) * np.sqrt(len(golfers))
    shown = total > _Z * error
    return float(_RIDGES[np.where(shown, total, -np.inf).argmax()]) if shown.any() else 0.0


class _Fit:
    """The answers to one fault, and the coefficients of its edge, by penalised likelihood."""

    def __init__(
        self,
        catalogue: Catalogue,
        classifier: FaultModel,
        labelled: Labelled,
        adaptation: Adaptation,
        inputs: Array,
        column: int,
        rows: NDArray[np.bool_],
    ) -> None:
        self.soft = catalogue.softness_by_fault[column]
        self.past = labelled.past[rows, column] - adaptation.shift[column]
        self.spread = np.hypot(adaptation.softness[column], labelled.sd[rows, column])
        self.guard = labelled.guard[rows, column]
        self.yes = labelled.answers[rows, column] == 1
        self.weight = golfer_weights(labelled.golfers[rows])
        self.lapse_rate = adaptation.lapse_rate
        self.slope, self.offset = classifier.slope[column], classifier.offset[column]
        others = np.delete(inputs[rows], column, axis=1)
        self.inputs = np.column_stack([np.ones(len(others)), others])
        self.column = column

    def likelihood(self, coefficients: Array) -> tuple[Array, Array]:
        """The chance of each answer, and its derivative by the place of the edge in softnesses."""
        x = (self.past - self.soft * (self.inputs @ coefficients)) / self.spread
        raw = np.clip(ndtr(x) * self.guard, 1e-5, 1 - 1e-5)
        chance = expit(self.offset + self.slope * logit(raw))
        by_edge = (
            -chance
            * (1 - chance)
            * self.slope
            / (raw * (1 - raw))
            * _DENSITY
            * np.exp(-0.5 * x**2)
            * self.guard
        )
        by_edge = by_edge * self.soft / self.spread * (1 - 2 * self.lapse_rate)
        likelihood = self.lapse_rate + (1 - 2 * self.lapse_rate) * chance
        return np.where(self.yes, likelihood, 1 - likelihood), np.where(self.yes, by_edge, -by_edge)

    def solve(self, ridge: float) -> Array:
        """The edge's own shift and its coefficients, in softnesses; without a ridge only the shift. Fisher scoring."""
        free = slice(None) if ridge else slice(1)
        inputs, coefficients = self.inputs[:, free], np.zeros(self.inputs.shape[1])
        penalty = np.full(inputs.shape[1], 1 / ridge**2 if ridge else 1.0)
        penalty[0] = 1.0
        step, best = np.zeros(len(penalty)), np.inf
        for _ in range(_MAX_STEPS):
            tried = coefficients.copy()
            tried[free] += step
            likelihood, by_edge = self.likelihood(tried)
            loss = float(-self.weight @ np.log(likelihood) + 0.5 * penalty @ tried[free] ** 2)
            if loss > best:
                step = step / 2
                continue
            settled = best - loss < _SETTLED
            coefficients, best = tried, loss
            if settled:
                break
            slope = (self.weight * by_edge / likelihood) @ inputs - penalty * coefficients[free]
            known = self.weight * by_edge**2 / (likelihood * (1 - likelihood))
            step = np.linalg.solve((inputs.T * known) @ inputs + np.diag(penalty), slope)
        return coefficients

    def coefficients(self, ridge: float) -> Array:
        """Coefficients of every fault's measure, 0 on its own, in the fault's unit."""
        return np.insert(self.solve(ridge)[1:], self.column, 0.0) * self.soft
