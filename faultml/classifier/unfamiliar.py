"""How unlike a row of features is to what was learned from, and how much wider that makes what is said of it.

A model states its uncertainty as it was on golfers like those it has learned from; on others it is too sure. The
Mahalanobis distance tells them apart where single readings do not: each angle is usual, and the angles do not go
together (a sensor that is turned, a style that no golfer in training had).
"""

from __future__ import annotations

from typing import Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator
from sklearn.covariance import LedoitWolf
from sklearn.utils.validation import check_is_fitted, validate_data

from faultml.runtime.distance import SCORE_LIMIT, Distance

Array = NDArray[np.float64]


class Unfamiliarity(BaseEstimator):
    """Distance from the rows learned from, in units of a distance that is still usual among them.

    Features are put in robust standard scores (median, interquartile range); their covariance is shrunk as Ledoit &
    Wolf (2004, J Multivar Anal 88:365-411) do. What is kept are arrays.

    Parameters
    ----------
    usual
        Quantile of the distances learned from at which a row begins to be unfamiliar.
    most
        Most that uncertainty is widened.
    """

    def __init__(self, *, usual: float = 0.75, most: float = 3.0) -> None:
        self.usual = usual
        self.most = most

    def fit(self, X: ArrayLike, y: object = None) -> Self:
        """Learn what is usual from ``(n_rows, n_features)``; `y` is not looked at."""
        rows: Array = validate_data(self, X, dtype=np.float64, ensure_min_samples=2)
        low, self.center_, high = np.quantile(rows, [0.25, 0.5, 0.75], axis=0)
        # Quartiles of a normal curve lie 1.349 standard deviations apart.
        spread = np.where(high > low, (high - low) / 1.349, rows.std(axis=0))
        self.scale_ = np.where(spread > 0, spread, 1.0)
        scores = np.clip((rows - self.center_) / self.scale_, -SCORE_LIMIT, SCORE_LIMIT)
        shrunk = LedoitWolf().fit(scores)
        self.mean_ = shrunk.location_
        self.root_ = np.linalg.cholesky(shrunk.precision_)
        self.usual_distance_ = 1.0
        self.usual_distance_ = max(float(np.quantile(self.runtime().score(rows), self.usual)), 1e-12)
        return self

    def score_samples(self, X: ArrayLike) -> Array:
        """How far each row is, ``(n_rows,)``: 1 is still usual, more is not. A row's score depends on no other row."""
        check_is_fitted(self)
        rows: Array = validate_data(self, X, reset=False, dtype=np.float64)
        return self.runtime().score(rows)

    def widening(self, X: ArrayLike) -> Array:
        """How many times as wide the uncertainty of each row is to be taken, ``(n_rows,)``, from 1 to `most`."""
        return np.clip(self.score_samples(X), 1.0, self.most)

    def runtime(self) -> Distance:
        """The arrays that answer."""
        check_is_fitted(self)
        return Distance(self.center_, self.scale_, self.mean_, self.root_, self.usual_distance_, self.most)
