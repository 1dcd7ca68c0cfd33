"""General features of windows: quantiles of nested intervals of a series, its differences and its spectrum.

What QUANT (Dempster and others 2024, from memory) showed to carry most of what short series hold, computed for whole
batches by numpy alone. The project's swings have features of their own (`faultml.features`); these are for series of
which nothing is known, as the public sets are.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any, Final, Self

import numpy as np
from numpy.typing import NDArray
from sklearn.base import BaseEstimator, TransformerMixin
from sklearn.utils import Tags, check_array
from sklearn.utils.validation import check_is_fitted

Array = NDArray[np.float64]

MIN_SAMPLES: Final = 8


class WindowFeatures(TransformerMixin, BaseEstimator):
    """Features of ``(n_windows, n_channels, n_samples)`` windows: one row a window.

    The series, its first and second differences, and the size of its spectrum are each cut into 1, 2, 4, ... equal
    intervals, and once more moved by half an interval; of each interval some evenly spaced quantiles are kept, every
    second one less the interval's mean, so that both level and shape are described. The whole window's mean, spread and
    number of turns come beside them. Every row depends on its own window alone.

    Parameters
    ----------
    depth
        How often the series is halved: ``2**(depth - 1)`` intervals in the last cut.
    divisor
        One quantile is kept for so many samples of an interval.
    """

    def __init__(self, *, depth: int = 6, divisor: int = 4) -> None:
        self.depth = depth
        self.divisor = divisor

    def __sklearn_tags__(self) -> Tags:
        tags = super().__sklearn_tags__()
        tags.input_tags.two_d_array = False
        tags.input_tags.three_d_array = True
        return tags

    def fit(self, X: Array, y: Any = None) -> Self:
        """Learn the shape of the windows; there is nothing else to learn."""
        windows = self._checked(X)
        self.n_features_in_ = windows.shape[1]
        self.n_samples_in_ = windows.shape[2]
        return self

    def transform(self, X: Array) -> Array:
        """Features of every window, ``(n_windows, n_features)``.

        Raises
        ------
        ValueError
            Where the windows are not three-dimensional and finite, or not of the shape that was fitted.
        """
        check_is_fitted(self)
        windows = self._checked(X)
        expected = (self.n_features_in_, self.n_samples_in_)
        if windows.shape[1:] != expected:
            raise ValueError(
                f"X has {windows.shape[1]} channels of {windows.shape[2]} samples, "
                f"but WindowFeatures is expecting {expected[0]} of {expected[1]}"
            )
        first = np.diff(windows, axis=2)
        padded = np.concatenate([windows[..., :1], windows, windows[..., -1:]], axis=2)
        smooth = (padded[..., :-2] + padded[..., 1:-1] + padded[..., 2:]) / 3
        spectrum = np.abs(np.fft.rfft(windows)) / windows.shape[2]
        parts = [_summary(windows)]
        for series in (windows, np.diff(smooth, axis=2), np.diff(first, axis=2), spectrum):
            parts += self._quantiles(series)
        return np.concatenate(parts, axis=2).reshape(len(windows), -1)

    def _checked(self, X: Array) -> Array:
        windows: Array = check_array(
            X, dtype=np.float64, allow_nd=True, ensure_2d=False, input_name="X", ensure_min_samples=1
        )
        if windows.ndim != 3:
            raise ValueError(
                f"expected windows (n_windows, n_channels, n_samples), found {windows.ndim} axes"
            )
        if windows.shape[2] < MIN_SAMPLES:
            raise ValueError(f"expected at least {MIN_SAMPLES} samples a window, found {windows.shape[2]}")
        return windows

    def _quantiles(self, series: Array) -> list[Array]:
        """Quantiles of every interval, ``(n_windows, n_channels, n_kept)`` each."""
        count = series.shape[2]
        kept = []
        for level in range(self.depth):
            edges = np.linspace(0, count, 2**level + 1).round().astype(int)
            half = (edges[1] - edges[0]) // 2
            cuts = list(pairwise(edges))
            if level:
                cuts += [(start + half, end + half) for start, end in cuts[:-1]]
            kept += [self._of_interval(series[..., start:end]) for start, end in cuts if end > start]
        return kept

    def _of_interval(self, interval: Array) -> Array:
        length = interval.shape[2]
        if length == 1:
            return interval
        many = 1 + (length - 1) // self.divisor
        at = [0.5] if many == 1 else np.linspace(0, 1, many)
        # Sorted once and read between the ranks: what numpy.quantile does, but for many intervals at a time.
        ordered = np.sort(interval, axis=2)
        position = np.asarray(at) * (length - 1)
        low = np.minimum(position.astype(int), length - 2)
        quantiles = ordered[..., low] + (position - low) * (ordered[..., low + 1] - ordered[..., low])
        quantiles[..., 1::2] -= interval.mean(axis=2, keepdims=True)
        return quantiles


def _summary(windows: Array) -> Array:
    """Mean, spread, and how often the series turns, ``(n_windows, n_channels, 3)``."""
    steps = np.sign(np.diff(windows, axis=2))
    turns = (steps[..., 1:] * steps[..., :-1] < 0).sum(axis=2)
    return np.stack([windows.mean(axis=2), windows.std(axis=2), turns], axis=2)
