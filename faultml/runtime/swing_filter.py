"""Is a recording a full swing at all? Asked before any fault is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from faultml.runtime.trees import Trees


@dataclass(frozen=True)
class SwingFilterModel:
    """Tells full swings from everything else by boosted trees.

    Attributes
    ----------
    trees
        Their sum is the log odds of a full swing.
    threshold
        Chance from which on a recording passes.
    n_features
        Columns of a row.
    """

    trees: Trees
    threshold: float
    n_features: int

    def predict_proba(self, rows: NDArray[np.float64]) -> NDArray[np.float64]:
        """Chance of being no full swing and of being one, ``(n, 2)``, from finite features ``(n, n_features)``."""
        full = expit(self.trees.sums(rows))
        return np.column_stack([1 - full, full])

    def predict(self, rows: NDArray[np.float64]) -> NDArray[np.bool_]:
        """``(n,)`` whether each recording passes as a full swing."""
        return self.predict_proba(rows)[:, 1] >= self.threshold
