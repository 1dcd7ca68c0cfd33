"""Calibrated fault probabilities: the chance that a careful coach who saw the true motion would say yes."""

from __future__ import annotations

from typing import Any, Final, Self

import numpy as np
from numpy.typing import NDArray
from scipy.special import logit
from sklearn.base import BaseEstimator
from sklearn.linear_model import LogisticRegression
from sklearn.utils import Tags, check_array
from sklearn.utils.validation import check_consistent_length, check_is_fitted, validate_data

from faultml.classifier.measures import MeasureModel
from faultml.classifier.unfamiliar import Unfamiliarity
from faultml.faults.catalogue import Catalogue
from faultml.runtime.faults import FaultModel, Posterior

Array = NDArray[np.float64]

MIN_POSITIVES: Final = 30
"""Fewer yes or no labels than this in calibration, and a fault is "not learned"."""


class FaultClassifier(BaseEstimator):
    """Multi-label fault classifier that keeps the estimated measure in sight, so that an edge can be moved later.

    It learns from true measures, and a coach's labels calibrate it: for scikit-learn it is no classifier, whose targets
    are classes.

    Parameters
    ----------
    edges, signs, softness
        ``(n_faults,)`` default edge, direction in which the measure gets worse, and SD of the edge's softness.
    guarded, guard_edges
        ``(n_guards,)`` index of the fault each guard belongs to, and the level its reading must lie below.
    familiar
        Columns of X that tell how like a swing is to those learned from: where it is not, all is said with more doubt.
        Without any, every swing is taken to be like them.
    hidden, epochs, averaged, n_jobs, random_state
        Of the measure model's network.
    """

    def __init__(
        self,
        edges: Array,
        signs: Array,
        softness: Array,
        *,
        guarded: tuple[int, ...] = (),
        guard_edges: tuple[float, ...] = (),
        familiar: tuple[int, ...] = (),
        hidden: tuple[int, ...] = (256, 128),
        epochs: int = 40,
        averaged: int = 1,
        n_jobs: int | None = None,
        random_state: int = 0,
    ) -> None:
        self.edges = edges
        self.signs = signs
        self.softness = softness
        self.guarded = guarded
        self.guard_edges = guard_edges
        self.familiar = familiar
        self.hidden = hidden
        self.epochs = epochs
        self.averaged = averaged
        self.n_jobs = n_jobs
        self.random_state = random_state

    def __sklearn_tags__(self) -> Tags:
        tags = super().__sklearn_tags__()
        tags.target_tags.required = True
        tags.target_tags.multi_output = True
        return tags

    @classmethod
    def for_catalogue(cls, catalogue: Catalogue, **settings: Any) -> Self:
        """A classifier of a catalogue's faults, at its default edges."""
        guards = [(column, fault.guard.below) for column, fault in enumerate(catalogue.faults) if fault.guard]
        return cls(
            edges=np.array([fault.edge for fault in catalogue.faults]),
            signs=catalogue.signs,
            softness=catalogue.softness_by_fault,
            guarded=tuple(column for column, _ in guards),
            guard_edges=tuple(below for _, below in guards),
            **settings,
        )

    def fit(
        self,
        X: Array,
        y: Array,
        *,
        labels: Array | None = None,
        groups: NDArray[np.object_] | None = None,
    ) -> Self:
        """Learn measures, then calibrate probabilities on golfers whom the measures were not learned on.

        Parameters
        ----------
        X
            ``(n_swings, n_features)``; its first columns are the measures and guards as read.
        y
            ``(n_swings, n_faults + n_guards)`` true measures and guards, or ``(n_swings,)`` of one; NaN where not
            defined.
        labels
            ``(n_swings, n_faults)`` a coach's answers: 1, 0, NaN where not answered or not to be seen. Without, what
            lies past its edge is a yes.
        groups
            ``(n_swings,)`` golfers; without, every swing is taken for another golfer's.
        """
        if y is None:
            raise ValueError("This estimator requires y to be passed, but the target y is None.")
        X = validate_data(self, X, dtype=np.float64, ensure_min_samples=5)
        y = check_array(y, dtype=np.float64, ensure_2d=False, ensure_all_finite="allow-nan", input_name="y")
        measures = y.reshape(len(y), -1)
        labels = self._past(measures) if labels is None else labels
        golfers: NDArray[Any] = np.arange(len(X)) if groups is None else groups
        check_consistent_length(X, measures, labels, golfers)
        names = np.unique(golfers)
        shuffled = np.random.default_rng(self.random_state + 1).permutation(names)
        calibrating = np.isin(golfers, shuffled[: max(1, len(names) // 5)])
        scale = np.concatenate([self.softness, self.softness[list(self.guarded)]])
        self.measures_ = MeasureModel(
            scale,
            hidden=self.hidden,
            epochs=self.epochs,
            averaged=self.averaged,
            n_jobs=self.n_jobs,
            random_state=self.random_state,
        ).fit(X[~calibrating], measures[~calibrating], groups=golfers[~calibrating])
        if self.familiar:
            self.unfamiliarity_ = Unfamiliarity().fit(X[~calibrating][:, list(self.familiar)])
        count = len(self.edges)
        self.slope_, self.offset_, self.learned_ = np.ones(count), np.zeros(count), np.ones(count, dtype=bool)
        model = self.runtime()
        raw = model.uncalibrated(model.posterior(X[calibrating]), self.edges)
        self.slope_, self.offset_, self.learned_ = _calibrate(raw, labels[calibrating])
        self.classes_ = [np.array([0, 1])] * len(self.edges)
        return self

    def posterior(self, X: Array) -> Posterior:
        """Estimated measures and guards with their uncertainty."""
        check_is_fitted(self)
        return self.runtime().posterior(validate_data(self, X, reset=False, dtype=np.float64))

    def runtime(self) -> FaultModel:
        """The arrays that answer."""
        check_is_fitted(self)
        return FaultModel(
            measures=self.measures_.runtime(),
            familiar=np.array(self.familiar, dtype=np.int64),
            distance=self.unfamiliarity_.runtime() if self.familiar else None,
            edges=np.asarray(self.edges, dtype=np.float64),
            signs=np.asarray(self.signs, dtype=np.float64),
            softness=np.asarray(self.softness, dtype=np.float64),
            guarded=np.array(self.guarded, dtype=np.int64),
            guard_edges=np.array(self.guard_edges, dtype=np.float64),
            slope=self.slope_.copy(),
            offset=self.offset_.copy(),
            learned=self.learned_.copy(),
            n_features=self.n_features_in_,
        )

    def _past(self, measures: Array) -> Array:
        """1 where a measure lies past its edge and its guard holds, 0 where not, NaN where it is not defined."""
        count = len(self.edges)
        past = self.signs * (measures[:, :count] - self.edges) > 0
        for guard, column in enumerate(self.guarded):
            past[:, column] &= measures[:, count + guard] < self.guard_edges[guard]
        return np.where(np.isnan(measures[:, :count]), np.nan, past)

    def predict_proba(self, X: Array, edges: Array | None = None) -> Array:
        """Probability of each fault, ``(n_swings, n_faults)``; `edges` may differ by swing."""
        return self.runtime().probability(self.posterior(X), self.edges if edges is None else edges)

    def predict(self, X: Array) -> NDArray[np.int64]:
        """1 where a fault is likelier there than not, ``(n_swings, n_faults)``."""
        return (self.predict_proba(X) >= 0.5).astype(np.int64)

    def score(self, X: Array, y: Array, *, labels: Array | None = None) -> float:
        """Minus the log loss of the probabilities, meant over swings and then over faults; 0 is best.

        Parameters
        ----------
        X, y
            As in `fit`.
        labels
            ``(n_swings, n_faults)`` a coach's answers; without, what lies past its edge is a yes. A fault without any
            answer is left out.
        """
        chance = np.clip(self.predict_proba(X), 1e-15, 1 - 1e-15)
        measures = check_array(
            y, dtype=np.float64, ensure_2d=False, ensure_all_finite="allow-nan", input_name="y"
        )
        answers = (
            self._past(measures.reshape(len(chance), -1)) if labels is None else np.asarray(labels, float)
        )
        likelihood = np.where(answers == 1, np.log(chance), np.log1p(-chance))
        known = np.isfinite(answers)
        count = known.sum(axis=0)
        by_fault = np.where(known, likelihood, 0.0).sum(axis=0)[count > 0] / count[count > 0]
        return float(by_fault.mean())


def _calibrate(raw: Array, labels: Array) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Slope, offset and whether learned, ``(n_faults,)`` each, by logistic regression of the labels on the log odds."""
    n_faults = raw.shape[1]
    slope, offset, learned = np.ones(n_faults), np.zeros(n_faults), np.zeros(n_faults, dtype=bool)
    for column in range(n_faults):
        known = np.isfinite(labels[:, column])
        answers = labels[known, column]
        if min(answers.sum(), len(answers) - answers.sum()) < MIN_POSITIVES:
            continue
        fitted = LogisticRegression(C=np.inf).fit(logit(raw[known, column])[:, None], answers)
        slope[column], offset[column] = max(float(fitted.coef_[0, 0]), 0.05), float(fitted.intercept_[0])
        learned[column] = True
    return slope, offset, learned
