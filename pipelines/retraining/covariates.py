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

from faultml.classifier.coach_adaptation import Rung
from faultml.faults.catalogue import Catalogue
from faultml.pipelines.retraining.adapt import Learned, gather, latest_look, learn
from faultml.pipelines.retraining.coherence import coherence
from faultml.pipelines.retraining.labelled import (
    Adaptation,
    Labelled,
    chance,
    golfer_folds,
    golfer_weights,
)
from faultml.pipelines.retraining.ladder import adaptation_of
from faultml.runtime.faults import CovariateThresholds, FaultModel

Array = NDArray[np.float64]

MIN_ANSWERS: Final = 300
"""Answers to a fault, of at least `MIN_OF_EACH` yes and as many no, for it to have covariates."""
MIN_OF_EACH: Final = 15
MIN_GOLFERS: Final = 40
_RIDGES: Final = (0.1, 0.2, 0.4)
"""Prior SD of a coefficient, in softnesses."""
_Z: Final = 3.0
"""How many standard errors, over golfers, covariates must predict better by: for 17 faults together some .02 a look."""
_TOO_SURE: Final = 0.4
"""Share of answers that seem to be copied from the tool, which covariates would explain; practice, no source."""
_FLOOR: Final = 1e-6
_FOLDS: Final = 5
_SPLITS: Final = 2
_ROUNDS: Final = 2
_MAX_STEPS: Final = 40
_SETTLED: Final = 1e-4
_DENSITY: Final = 1 / np.sqrt(2 * np.pi)


def learn_covariate_adaptation(
    catalogue: Catalogue,
    classifier: FaultModel,
    labelled: Labelled,
    rungs: tuple[Rung, ...] | None = None,
) -> Learned:
    """A coach adaptation with what else they go by, where there are answers enough to say; `rungs` as of `learn`."""
    learned = learn(catalogue, classifier, labelled, rungs)
    looked = latest_look(labelled)
    if learned.adaptation.refused or looked.known.sum(axis=0).max(initial=0) < MIN_ANSWERS:
        return learned
    rung: Rung = "edges"
    edges = adaptation_of(catalogue, learned.evidence, learned.evidence.fit(), (rung,) * len(catalogue.ids))
    inputs = _covariates(catalogue, looked).standardised(looked.past)
    if _too_sure(looked, edges.of_answers(chance(classifier, looked, edges))):
        return learned
    ridges = np.array(
        [_ridge(catalogue, classifier, looked, edges, inputs, column) for column in range(len(catalogue.ids))]
    )
    if not ridges.any():
        return learned
    if not learned.adaptation.moved.any():
        held = coherence(catalogue, classifier, labelled, learned.evidence.fit())
        if held.why:
            refused = replace(learned.adaptation, refused=held.why)
            return learned._replace(adaptation=refused)
    adaptation = refitted(catalogue, classifier, labelled, learned.adaptation, ridges)
    return learned._replace(adaptation=adaptation, ridges=ridges)


def refitted(
    catalogue: Catalogue, classifier: FaultModel, labelled: Labelled, adaptation: Adaptation, ridges: Array
) -> Adaptation:
    """The same with covariates, where `ridges` are not 0, learned from given answers."""
    residual = ridges > 0
    rungs: tuple[Rung, ...] = tuple(
        "residual" if more else rung for rung, more in zip(adaptation.rungs, residual, strict=True)
    )
    covariates = _covariates(catalogue, labelled)
    inputs, straight = covariates.standardised(labelled.past), labelled
    for _ in range(_ROUNDS):
        gathered = gather(catalogue, classifier, straight)
        gathered = gathered.with_calibrations(catalogue, classifier, straight, rungs)
        own = adaptation_of(catalogue, gathered.evidence, gathered.fit, rungs)
        coefficients = np.zeros_like(covariates.coefficients)
        for column in np.flatnonzero(residual).tolist():
            known = labelled.known[:, column]
            fit = _Fit(catalogue, classifier, labelled, own, inputs, column, known)
            coefficients[column] = fit.coefficients(float(ridges[column]))
        covariates = replace(covariates, coefficients=coefficients)
        straight = replace(labelled, past=labelled.past - covariates.moved(labelled.past))
    gathered = gather(catalogue, classifier, straight).with_calibrations(
        catalogue, classifier, straight, rungs
    )
    own = adaptation_of(catalogue, gathered.evidence, gathered.fit, rungs)
    kept = {name: getattr(adaptation, name) for name in ("band", "abstain_rate", "unrelated_share")}
    return replace(own, covariates=covariates, **kept)


def _too_sure(labelled: Labelled, chances: Array) -> bool:
    """Whether the answers follow the tool more closely than anybody's can who looks at the swing itself."""
    known = labelled.known
    odds, yes = logit(np.clip(chances[known], _FLOOR, 1 - _FLOOR)), labelled.answers[known] == 1
    likely = expit(odds)
    # What the log likelihood is above its expectation, as a share of what copying the likelier answer would bring.
    apart = ((yes - likely) * odds).sum()
    return bool(apart > _TOO_SURE * (np.minimum(likely, 1 - likely) * np.abs(odds)).sum())


def _covariates(catalogue: Catalogue, labelled: Labelled) -> CovariateThresholds:
    """The middle and spread of the swings' measures; no coefficients yet."""
    past, soft = np.ma.masked_invalid(labelled.past), catalogue.softness_by_fault
    spread = np.maximum(past.std(axis=0).filled(0.0), 0.5 * soft)
    return CovariateThresholds(np.zeros((len(soft), len(soft))), past.mean(axis=0).filled(0.0), spread)


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
        self.unrelated, self.yes_share = adaptation.unrelated[column], adaptation.yes_share[column]
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
        related = (1 - self.unrelated) * (1 - 2 * self.lapse_rate)
        by_edge = by_edge * self.soft / self.spread * related
        likelihood = (
            (1 - self.unrelated) * self.lapse_rate + self.unrelated * self.yes_share + related * chance
        )
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
