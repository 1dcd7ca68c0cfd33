"""The steps of an assessment as protocols: what each is asked, and what it answers.

`faultml.Assessor` takes any object that keeps one of them in place of the bundle's own. Two things hold for every step:
a swing's answer does not depend on the other swings of its batch, and nothing is kept between batches.
"""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from faultml.faults.catalogue import Catalogue
from faultml.features.table import Features
from faultml.motion.curves import Curves
from faultml.motion.landmark_model import Landmarks
from faultml.motion.window import Windows
from faultml.runtime.faults import Posterior

Array = NDArray[np.float64]


class DetectorStep(Protocol):
    """Finds landmarks; the default is `faultml.motion.landmark_model.LandmarkModel`."""

    def predict(self, windows: Windows) -> Landmarks:
        """Times of the four landmarks in order, and their SDs, ``(n_swings, 4)`` seconds each, all finite."""
        ...


class FeatureStep(Protocol):
    """Computes features; the default is `faultml.features.table.compute_features`."""

    def __call__(
        self, catalogue: Catalogue, windows: Windows, landmarks: Landmarks, curves: Curves
    ) -> Features:
        """Finite features, a row a swing, and the catalogue's measures as read."""
        ...


class FilterStep(Protocol):
    """Tells full swings from everything else."""

    def predict(self, rows: Array) -> NDArray[np.bool_]:
        """Whether each row of features ``(n_swings, n_features)`` is a full swing, ``(n_swings,)``."""
        ...


class ClassifierStep(Protocol):
    """Says how likely each fault is; the default is `faultml.runtime.faults.FaultModel`."""

    @property
    def learned(self) -> NDArray[np.bool_]:
        """``(n_faults,)`` which faults it can answer for, in the catalogue's order."""
        ...

    def posterior(self, rows: Array) -> Posterior:
        """True measures with their uncertainty, from features ``(n_swings, n_features)``."""
        ...

    def predict_proba(
        self, rows: Array, edges: Array | None = None, posterior: Posterior | None = None
    ) -> Array:
        """Probabilities ``(n_swings, n_faults)``.

        Parameters
        ----------
        rows
            Features.
        edges
            ``(n_swings, n_faults)`` the edge that holds for each swing's player; the classifier's own where not given.
        posterior
            That of `posterior`, widened where a recording asks for more doubt; read anew where not given.
        """
        ...
