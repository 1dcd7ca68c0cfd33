"""A classifier step made from any fitted scikit-learn estimator."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from faultml.errors import BundleError
from faultml.runtime.faults import FaultModel, Posterior

Array = NDArray[np.float64]


@dataclass(frozen=True)
class OwnProbabilities:
    """Fault probabilities of an estimator of one's own, beside the measures of the bundle's classifier.

    The estimator says how likely a fault is. How far past its edge a swing lies, and how sure that is, is still what
    the bundle's classifier says. An estimator knows only the edges that its labels were given by, so a catalogue with
    moved edges is refused.

    Attributes
    ----------
    estimator
        With ``predict_proba(rows)``, fitted to the features of an `Assessment`: a multi-label classifier, which answers
        ``(n_swings, n_faults)``, or a `sklearn.multioutput.MultiOutputClassifier`, which answers a list.
    measures
        ``faultml.load_bundle().classifier``.
    learned
        ``(n_faults,)`` which faults there were labels for; all where not given.
    """

    estimator: Any
    measures: FaultModel
    learned: NDArray[np.bool_] = field(default_factory=lambda: np.array([], dtype=bool))

    def __post_init__(self) -> None:
        if not self.learned.size:
            object.__setattr__(self, "learned", np.ones(len(self.measures.edges), dtype=bool))

    def posterior(self, rows: Array) -> Posterior:
        """Measures as the bundle's classifier knows them."""
        return self.measures.posterior(rows)

    def predict_proba(
        self, rows: Array, edges: Array | None = None, posterior: Posterior | None = None
    ) -> Array:
        """The estimator's probabilities, ``(n_swings, n_faults)``.

        Raises
        ------
        BundleError
            ``moved-edges`` where an edge is not the catalogue's, ``bad-probabilities`` where the answer has another
            shape or is no probability.
        """
        if edges is not None and (edges != self.measures.edges).any():
            raise BundleError(
                "moved-edges",
                expected="the catalogue's edges, which the labels were given by",
                found="others",
            )
        answer = self.estimator.predict_proba(rows)
        if isinstance(answer, list):
            answer = np.column_stack([each[:, -1] for each in answer])
        chance = np.asarray(answer, dtype=np.float64)
        expected = (len(rows), len(self.measures.edges))
        if chance.shape != expected:
            raise BundleError(
                "bad-probabilities", expected=f"shape {expected}", found=f"shape {chance.shape}"
            )
        if not ((chance >= 0) & (chance <= 1)).all():
            raise BundleError("bad-probabilities", expected="numbers from 0 to 1", found="others")
        return chance
