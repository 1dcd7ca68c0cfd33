"""Is this a full swing at all? Asked before any fault is."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final, Self

import numpy as np
from numpy.typing import NDArray
from sklearn.base import BaseEstimator, ClassifierMixin
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.utils import Tags
from sklearn.utils.multiclass import check_classification_targets, type_of_target
from sklearn.utils.validation import check_array, check_consistent_length, check_is_fitted, validate_data

from faultml.runtime.swing_filter import SwingFilterModel
from faultml.runtime.trees import Trees

Array = NDArray[np.float64]

GOOD_REFUSED_SHARE: Final = 0.01
"""Share of good swings that the threshold may refuse, on golfers not learned from, who are more varied than everyday
ones: of those it refuses far fewer."""


class SwingFilter(ClassifierMixin, BaseEstimator):
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

    def __init__(self, *, rounds: int = 300, random_state: int = 0) -> None:
        self.rounds = rounds
        self.random_state = random_state

    def __sklearn_tags__(self) -> Tags:
        tags = super().__sklearn_tags__()
        tags.classifier_tags.multi_class = False
        return tags

    def fit(
        self,
        X: Array,
        y: NDArray[Any],
        groups: NDArray[np.object_] | None = None,
        emphasis: Array | None = None,
    ) -> Self:
        """Learn from features ``(n, n_features)`` and which of two classes each recording is; the second is let pass.

        `emphasis` says how much each recording counts while the trees are learned. It is no `sample_weight`: the
        threshold is about shares of recordings and leaves it out.
        """
        rows: Array
        rows, y = validate_data(self, X, y, dtype=np.float64, ensure_min_samples=2)
        self.classes_, full = _two_classes(y)
        if emphasis is not None:
            emphasis = check_array(emphasis, ensure_2d=False, dtype=np.float64)
            check_consistent_length(rows, emphasis)
        golfers = np.arange(len(rows)) if groups is None else groups
        names = np.unique(golfers)
        shuffled = np.random.default_rng(self.random_state).permutation(names)
        held_out = np.isin(golfers, shuffled[: max(1, len(names) // 5)])
        self.trees_ = HistGradientBoostingClassifier(
            max_iter=self.rounds,
            learning_rate=0.05,
            max_leaf_nodes=31,
            max_features=0.3,
            l2_regularization=5.0,
            random_state=self.random_state,
        ).fit(
            rows[~held_out],
            full[~held_out].astype(int),
            sample_weight=None if emphasis is None else emphasis[~held_out],
        )
        # Where nobody good is held out (a handful of golfers), those learned from must do.
        asked = held_out & full if (held_out & full).any() else full
        good = self.trees_.predict_proba(rows[asked])[:, 1]
        self.threshold_ = float(np.clip(np.quantile(good, GOOD_REFUSED_SHARE), 0.02, 0.8))
        return self

    def predict_proba(self, X: Array) -> Array:
        """Chance of being no full swing and of being one, ``(n, 2)``."""
        check_is_fitted(self)
        X = validate_data(self, X, reset=False, dtype=np.float64)
        return self.runtime().predict_proba(X)

    def predict(self, X: Array) -> NDArray[Any]:
        """The class of each recording, ``(n,)``: whether it passes as a full swing, where those were the classes."""
        passes = self.predict_proba(X)[:, 1] >= self.threshold_
        return self.classes_[passes.astype(int)]

    def runtime(self) -> SwingFilterModel:
        """The arrays that answer."""
        check_is_fitted(self)
        nodes = [predictor.nodes for (predictor,) in self.trees_._predictors]
        return SwingFilterModel(
            flat_trees(float(self.trees_._baseline_prediction[0, 0]), nodes),
            self.threshold_,
            self.n_features_in_,
        )


def flat_trees(start: float, nodes: Sequence[NDArray[np.void]]) -> Trees:
    """Trees from scikit-learn's node tables, one table a tree."""
    sizes = np.array([len(table) for table in nodes])
    roots = np.cumsum(sizes) - sizes
    table = np.concatenate(nodes)
    leaf = table["is_leaf"].astype(bool)
    children = np.column_stack([table["left"], table["right"]]) + np.repeat(roots, sizes)[:, None]
    return Trees(
        start=start,
        roots=roots.astype(np.uint32),
        depth=np.array([each["depth"].max() for each in nodes], dtype=np.uint32),
        feature=np.where(leaf, 0, table["feature_idx"]).astype(np.uint32),
        threshold=np.where(leaf, 0.0, table["num_threshold"]),
        children=np.where(leaf[:, None], np.arange(len(table))[:, None], children).astype(np.uint32),
        value=np.where(leaf, table["value"], 0.0),
    )


def _two_classes(y: NDArray[Any]) -> tuple[NDArray[Any], NDArray[np.bool_]]:
    """The classes, in order, and which rows are of the second."""
    check_classification_targets(y)
    classes, which = np.unique(y, return_inverse=True)
    if len(classes) > 2:
        kind = type_of_target(y)
        raise ValueError(f"Only binary classification is supported. The type of the target is {kind}.")
    if len(classes) < 2:
        raise ValueError(
            "The swing filter needs recordings of two classes; the data contains only one class."
        )
    return classes, which == 1
