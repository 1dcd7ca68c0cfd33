"""How unlike a row of features is to those that were learned from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.runtime.dense import LANES, Layer, multiply, standardised, up_to

Array = NDArray[np.float64]

SCORE_LIMIT: Final = 8.0
"""Features are held within so many standard deviations: a stray value cannot carry the distance away."""


@dataclass(frozen=True)
class Distance:
    """Root mean square of whitened robust scores, in units of a distance that is still usual.

    Attributes
    ----------
    center, scale
        ``(n_features,)`` median and robust standard deviation.
    mean
        ``(n_features,)`` of the scores.
    root
        ``(n_features, n_features)`` Cholesky factor of their shrunk precision.
    usual
        The distance that counts as 1.
    max_widening
        How many times as wide uncertainty becomes at most.
    """

    center: Array
    scale: Array
    mean: Array
    root: Array
    usual: float
    max_widening: float

    def __post_init__(self) -> None:
        size = up_to(len(self.mean), LANES)
        padded, bias = np.zeros((size, size), np.float32), np.zeros(size, np.float32)
        padded[: len(self.mean), : len(self.mean)] = self.root
        # (scores - mean) @ root, with the mean's part in the bias.
        bias[: len(self.mean)] = -(self.mean @ self.root)
        object.__setattr__(self, "_layer", Layer(padded, bias))

    def score(self, rows: NDArray[np.floating]) -> Array:
        """``(n_rows,)``: 1 is still usual, more is not. A row's score depends on no other row."""
        scores = standardised(np.ascontiguousarray(rows), self.center, self.scale, SCORE_LIMIT)
        layer: Layer = self._layer  # type: ignore[attr-defined]
        white = np.empty((len(scores), len(layer.bias)), dtype=np.float32)
        multiply(scores, layer.weights, layer.bias, False, white)
        squares = np.square(white[: len(rows)], dtype=np.float64)
        return np.sqrt(squares.sum(axis=1) / len(self.mean)) / self.usual

    def widening(self, rows: NDArray[np.floating]) -> Array:
        """How many times as wide the uncertainty of each row is to be taken, ``(n_rows,)``, from 1."""
        return np.clip(self.score(rows), 1.0, self.max_widening)
