"""Measures with uncertainty, and the chance that a careful coach who saw the true motion would say yes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit, ndtr

from faultml.runtime.dense import DenseNetwork
from faultml.runtime.distance import Distance

Array = NDArray[np.float64]

INTERVAL_Z: Final = 1.6449
"""Half width of a 90 % interval in standard deviations."""

MIN_SD_SHARE: Final = 0.1
"""An uncertainty is never stated smaller than this share of a notable error."""
CORRECTION_LIMIT: Final = 8.0
"""A correction is held within so many notable errors."""
SPREAD_LIMITS: Final = (-4.0, 2.0)
"""Within which the logarithm of an error's size is taken, in notable errors."""
MAX_SPREADS: Final = 3.0


@dataclass(frozen=True)
class Posterior:
    """What is known of each swing's true measures.

    Attributes
    ----------
    mean, sd
        ``(n_swings, n_faults)`` in each fault's unit.
    guard_mean, guard_sd
        ``(n_swings, n_guards)``.
    """

    mean: Array
    sd: Array
    guard_mean: Array
    guard_sd: Array


@dataclass(frozen=True)
class MeasureNetworks:
    """Corrects the measures as read, and says how far off they may be.

    Attributes
    ----------
    correct, spread
        What to add to each measure, and the logarithm of the error that is left, both in units of `scale`.
    scale
        ``(n_measures,)`` or ``(1,)`` size of a notable error in each measure's unit.
    trust
        Share of the correction that is applied.
    spread_scale
        ``(n_measures,)`` by what the stated errors are multiplied.
    """

    correct: DenseNetwork
    spread: DenseNetwork
    scale: Array
    trust: float
    spread_scale: Array

    def correction(self, rows: Array) -> Array:
        """What is added to the measures as read, in units of `scale`, ``(n_swings, n_measures)``."""
        return self.trust * np.clip(self.correct.predict(rows), -CORRECTION_LIMIT, CORRECTION_LIMIT)

    def sd(self, rows: Array) -> Array:
        """Standard deviations of the corrected measures, ``(n_swings, n_measures)``."""
        share = np.exp(np.clip(self.spread.predict(rows), *SPREAD_LIMITS)) * self.spread_scale
        return np.maximum(share, MIN_SD_SHARE) * self.scale

    def predict(self, rows: Array) -> tuple[Array, Array]:
        """Estimated measures and their standard deviations; the first columns of a row are the measures as read."""
        mean = rows[:, : len(self.spread_scale)] + self.correction(rows) * self.scale
        return mean, self.sd(rows)


@dataclass(frozen=True)
class CovariateThresholds:
    """How edges move with the rest of the swing.

    Attributes
    ----------
    coefficients
        ``(n_faults, n_faults)``: how much further past its edge a swing must be for a fault (row), in the fault's
        unit, for each spread of another fault's measure (column).
    middle, spread
        ``(n_faults,)`` of the measures, past the catalogue's edge.
    """

    coefficients: Array
    middle: Array
    spread: Array

    def standardised(self, past: Array) -> Array:
        """Measures past the catalogue's edge in spreads, at most 3, ``(n_swings, n_faults)``; 0 where unknown."""
        standardised = (past - self.middle) / self.spread
        return np.nan_to_num(np.clip(standardised, -MAX_SPREADS, MAX_SPREADS))

    def moved(self, past: Array) -> Array:
        """How much further each edge of each swing lies, ``(n_swings, n_faults)``."""
        # Summed fault by fault, in one order for any number of swings.
        standardised = self.standardised(past)
        moved = np.zeros_like(standardised)
        for column, coefficients in zip(standardised.T, self.coefficients.T, strict=True):
            moved += column[:, None] * coefficients
        return moved


@dataclass(frozen=True)
class FaultModel:
    """Fault probabilities that keep the estimated measure in sight, so that an edge can be moved later.

    Attributes
    ----------
    measures
        Estimates measures and guards.
    familiar, distance
        Columns that say how like a swing is to those learned from, and how far it is from them; None where every
        swing is taken to be like them.
    edges, signs, softness
        ``(n_faults,)`` default edge, direction in which the measure gets worse, and SD of the edge's softness.
    guarded, guard_edges
        ``(n_guards,)`` index of the fault each guard belongs to, and the level its reading must lie below.
    slope, offset, learned
        ``(n_faults,)`` calibration of the log odds, and whether a fault was learned at all.
    n_features
        Columns of a row.
    covariates
        What else a coach goes by, where one was learned.
    """

    measures: MeasureNetworks
    familiar: NDArray[np.int64]
    distance: Distance | None
    edges: Array
    signs: Array
    softness: Array
    guarded: NDArray[np.int64]
    guard_edges: Array
    slope: Array
    offset: Array
    learned: NDArray[np.bool_]
    n_features: int
    covariates: CovariateThresholds | None = None

    def posterior(self, rows: Array) -> Posterior:
        """Estimated measures and guards with their uncertainty, from features ``(n_swings, n_features)``."""
        mean, sd = self.measures.predict(rows)
        if self.distance is not None:
            sd = sd * self.distance.widening(rows[:, self.familiar])[:, None]
        count = len(self.edges)
        return Posterior(mean[:, :count], sd[:, :count], mean[:, count:], sd[:, count:])

    def predict_proba(
        self, rows: Array, edges: Array | None = None, posterior: Posterior | None = None
    ) -> Array:
        """Probability of each fault, ``(n_swings, n_faults)``; `edges` may differ by swing.

        With a `posterior` that is known already `rows` are not read again.
        """
        known = self.posterior(rows) if posterior is None else posterior
        return self.probability(known, self.edges if edges is None else edges)

    def predict(self, rows: Array) -> NDArray[np.int64]:
        """1 where a fault is likelier there than not, ``(n_swings, n_faults)``."""
        return (self.predict_proba(rows) >= 0.5).astype(np.int64)

    def probability(self, posterior: Posterior, edges: Array) -> Array:
        """Calibrated probabilities of a posterior at given edges."""
        return expit(self.offset + self.slope * logit(self.uncalibrated(posterior, edges)))

    def guard_chance(self, posterior: Posterior) -> Array:
        """Chance that each fault's guard holds, ``(n_swings, n_faults)``; NaN where the fault has none."""
        chance = np.full(posterior.mean.shape, np.nan)
        for guard, column in enumerate(self.guarded):
            below = self.guard_edges[guard] - posterior.guard_mean[:, guard]
            chance[:, column] = ndtr(below / posterior.guard_sd[:, guard])
        return chance

    def uncalibrated(self, posterior: Posterior, edges: Array) -> Array:
        """The same before calibration, within 0.00001 of 0 and 1."""
        if self.covariates is not None:
            edges = edges + self.signs * self.covariates.moved(self.signs * (posterior.mean - self.edges))
        chance = ndtr(self.signs * (posterior.mean - edges) / np.hypot(self.softness, posterior.sd))
        chance[:, self.guarded] *= self.guard_chance(posterior)[:, self.guarded]
        return np.clip(chance, 1e-5, 1 - 1e-5)
