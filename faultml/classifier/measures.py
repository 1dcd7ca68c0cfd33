"""The true measures of a swing, each with an uncertainty, from its features."""

from __future__ import annotations

from typing import Self

import numpy as np
from numpy.typing import NDArray
from sklearn.base import BaseEstimator, RegressorMixin
from sklearn.utils import Tags, check_array
from sklearn.utils.validation import check_consistent_length, check_is_fitted, validate_data

from faultml.network import Network
from faultml.runtime.faults import CORRECTION_LIMIT, MeasureNetworks

Array = NDArray[np.float64]


class MeasureModel(RegressorMixin, BaseEstimator):
    """Corrects the measures read at detected landmarks and says how far off they may be.

    The first columns of X are the measures as read; the network learns what to add to them, so that a swing outside
    the training range still reads about right. A second network learns the size of the error on golfers whom the first
    has not seen.

    Parameters
    ----------
    scale
        ``(n_measures,)``, or one for all: the size of a notable error in each measure's own unit (the softness of its
        edge).
    trust
        Share of the learned correction that is applied. Three quarters of it rank golfers like those learned from as
        well as all of it, and find more on others: part of what is learned is how such golfers usually move.
    hidden, epochs, alpha, averaged, n_jobs, random_state
        Of the correcting network; see `Network`.
    """

    def __init__(
        self,
        scale: Array | float = 1.0,
        *,
        hidden: tuple[int, ...] = (256, 128),
        epochs: int = 40,
        alpha: float = 2e-2,
        averaged: int = 1,
        trust: float = 0.75,
        n_jobs: int | None = None,
        random_state: int = 0,
    ) -> None:
        self.scale = scale
        self.hidden = hidden
        self.epochs = epochs
        self.alpha = alpha
        self.averaged = averaged
        self.trust = trust
        self.n_jobs = n_jobs
        self.random_state = random_state

    def __sklearn_tags__(self) -> Tags:
        tags = super().__sklearn_tags__()
        tags.target_tags.required = True
        tags.target_tags.multi_output = True
        # It corrects what its first columns say; where they say nothing, it is a poor regressor.
        tags.regressor_tags.poor_score = True
        return tags

    def fit(self, X: Array, y: Array, groups: NDArray[np.object_] | None = None) -> Self:
        """Learn from true measures.

        Parameters
        ----------
        X
            ``(n_swings, n_features)``.
        y
            ``(n_swings, n_measures)``, or ``(n_swings,)`` of one; NaN where a measure is not defined or not to be seen.
        groups
            ``(n_swings,)`` golfers; without, every swing is taken for another golfer's.
        """
        if y is None:
            raise ValueError("This estimator requires y to be passed, but the target y is None.")
        X = validate_data(self, X, dtype=np.float64, ensure_min_samples=4)
        y = check_array(y, dtype=np.float64, ensure_2d=False, ensure_all_finite="allow-nan", input_name="y")
        check_consistent_length(X, y)
        if np.isnan(y).all():
            raise ValueError("Input y contains NaN and nothing else: there is nothing to learn from.")
        self.flat_ = y.ndim == 1
        y = y.reshape(len(y), -1)
        if np.size(self.scale) not in (1, y.shape[1]) or y.shape[1] > X.shape[1]:
            raise ValueError(
                f"expected as many measures as scales and at most as many as columns of X; "
                f"found {y.shape[1]} measures, {np.size(self.scale)} scales, {X.shape[1]} columns"
            )
        golfers = np.arange(len(X)) if groups is None else groups
        names = np.unique(golfers)
        shuffled = np.random.default_rng(self.random_state).permutation(names)
        held_out = np.isin(golfers, shuffled[: max(1, len(names) // 4)])
        lacking = self._residual(X, y) / self.scale
        known = np.isfinite(lacking)
        # A gross misreading is a lost landmark, not something to learn from in proportion.
        lacking = np.clip(np.where(known, lacking, 0.0), -CORRECTION_LIMIT, CORRECTION_LIMIT)
        self.correct_ = Network(
            self.hidden,
            epochs=self.epochs,
            alpha=self.alpha,
            averaged=self.averaged,
            n_jobs=self.n_jobs,
            random_state=self.random_state,
        )
        self.correct_.fit(X[~held_out], lacking[~held_out])
        correction = self.trust * np.clip(
            self.correct_.predict(X[held_out]), -CORRECTION_LIMIT, CORRECTION_LIMIT
        )
        left = np.abs(lacking[held_out] - correction.reshape(lacking[held_out].shape))
        left = np.where(known[held_out], left, 1.0)
        self.spread_ = Network(
            (64, 32), epochs=max(1, self.epochs // 2), alpha=1e-2, random_state=self.random_state
        )
        self.spread_.fit(X[held_out], np.log(left + 0.03))
        self.spread_scale_ = np.ones(y.shape[1])
        sd = self.runtime().sd(X[held_out]) / self.scale
        ratio = np.where(known[held_out], left / sd, np.nan)
        # So that 90 % of the errors lie within 1.645 standard deviations.
        self.spread_scale_ = np.nan_to_num(np.nanquantile(ratio, 0.90, axis=0), nan=1.0) / 1.645
        return self

    def predict(self, X: Array, return_std: bool = False) -> Array | tuple[Array, Array]:
        """Estimated measures ``(n_swings, n_measures)``, with their standard deviations if asked for."""
        check_is_fitted(self)
        X = validate_data(self, X, reset=False, dtype=np.float64)
        mean, sd = self.runtime().predict(X)
        one: int | slice = 0 if self.flat_ else slice(None)
        return (mean[:, one], sd[:, one]) if return_std else mean[:, one]

    def runtime(self) -> MeasureNetworks:
        """The arrays that answer."""
        check_is_fitted(self)
        return MeasureNetworks(
            self.correct_.runtime(),
            self.spread_.runtime(),
            np.atleast_1d(np.asarray(self.scale, dtype=np.float64)),
            self.trust,
            self.spread_scale_.copy(),
        )

    def _residual(self, X: Array, y: Array) -> Array:
        return y - X[:, : y.shape[1]]
