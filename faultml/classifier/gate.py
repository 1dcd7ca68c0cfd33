"""Is this a full swing at all? Asked before any fault is."""

from __future__ import annotations

from typing import Final, Self

import numpy as np
from numpy.typing import NDArray
from sklearn.base import BaseEstimator, ClassifierMixin
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.utils.validation import check_is_fitted, validate_data

from faultml.network import one_thread

Array = NDArray[np.float64]

GOOD_REFUSED_SHARE: Final = 0.010
"""Share of good swings that the threshold may refuse, on golfers not learned from."""


class SwingGate(ClassifierMixin, BaseEstimator):
    """Tells full swings from waggles, rehearsals, short shots, walking, knocks and broken channels.

    Boosted trees on the features; the threshold is set on golfers whom they were not learned on, so that at most
    `GOOD_REFUSED_SHARE` of good swings are refused.

    Parameters
    ----------
    rounds
        Boosting rounds.
    random_state
        Seed.
    """

    def __init__(self, *, rounds: int = 120, random_state: int = 0) -> None:
        self.rounds = rounds
        self.random_state = random_state

    def fit(
        self,
        X: Array,
        y: NDArray[np.bool_],
        groups: NDArray[np.object_] | None = None,
        sample_weight: Array | None = None,
    ) -> Self:
        """Learn from features ``(n, n_features)`` and whether each recording is a full swing."""
        X, y = validate_data(self, X, y, dtype=np.float64)
        golfers = np.arange(len(X)) if groups is None else groups
        names = np.unique(golfers)
        shuffled = np.random.default_rng(self.random_state).permutation(names)
        held_out = np.isin(golfers, shuffled[: max(1, len(names) // 5)])
        self.classes_ = np.array([False, True])
        self.trees_ = HistGradientBoostingClassifier(
            max_iter=self.rounds, learning_rate=0.1, max_leaf_nodes=15, random_state=self.random_state
        ).fit(
            X[~held_out],
            y[~held_out].astype(int),
            sample_weight=None if sample_weight is None else sample_weight[~held_out],
        )
        good = self.trees_.predict_proba(X[held_out & y.astype(bool)])[:, 1]
        self.threshold_ = float(np.clip(np.quantile(good, GOOD_REFUSED_SHARE), 0.02, 0.8))
        return self

    def predict_proba(self, X: Array) -> Array:
        """Chance of being no full swing and of being one, ``(n, 2)``."""
        check_is_fitted(self)
        X = validate_data(self, X, reset=False, dtype=np.float64)
        with one_thread("openmp"):
            return self.trees_.predict_proba(X)

    def predict(self, X: Array) -> NDArray[np.bool_]:
        """Whether each recording passes as a full swing, ``(n,)``."""
        return self.predict_proba(X)[:, 1] >= self.threshold_
