"""What a recording still shows: the coach's rule on measures read at the true landmarks from the recorded curves.

The oracle knows the true motion. Between it and any reader of recordings lies the instrument: sensors that are turned
on the arm, noise, few samples. Here nothing is found and nothing is guessed, only read, and how far such readings stray
is known from other golfers with the same recorder. It is no strict ceiling: who knows how golfers move can correct a
reading, as the model does by half.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from faultml.faults.catalogue import Catalogue
from faultml.faults.measure import evaluate_all, evaluate_guards
from faultml.motion.curves import Curves
from faultml.motion.landmark_model import Landmarks
from faultml.pipelines.training.data import Drawn

Array = NDArray[np.float64]

_FEWEST: Final = 20
"""Readings from which a line is fitted; with fewer what is true of all is said of each."""
_MIN_SD: Final = 1e-3


def through_recorder(catalogue: Catalogue, drawn: Drawn, true: Array, *, seed: int) -> Array:
    """Chance of a yes from readings at the true landmarks, ``(n_swings, n_faults)``.

    Parameters
    ----------
    true
        ``(n_swings, n_faults)`` true measures; NaN where not defined or not to be seen.
    seed
        Parts the golfers into halves; each half's readings are understood by the other's.
    """
    curves = Curves.read(drawn.windows, Landmarks(drawn.offset_s, np.full(drawn.offset_s.shape, 1e-3)))
    guards = [(column, fault.guard.below) for column, fault in enumerate(catalogue.faults) if fault.guard]
    true_guards = drawn.guards(catalogue)
    edges = np.array([fault.edge for fault in catalogue.faults])
    half = _half(drawn.golfers, seed)
    mean, sd = _understood(evaluate_all(catalogue, curves.d_deg), true, half)
    chance = ndtr(catalogue.signs * (mean - edges) / np.hypot(catalogue.softness_by_fault, sd))
    guard_mean, guard_sd = _understood(evaluate_guards(catalogue, curves.d_deg), true_guards, half)
    for guard, (column, below) in enumerate(guards):
        chance[:, column] *= ndtr((below - guard_mean[:, guard]) / guard_sd[:, guard])
    return np.clip(chance, 1e-5, 1 - 1e-5)


def _half(golfers: NDArray[np.object_], seed: int) -> NDArray[np.bool_]:
    names = np.random.default_rng([seed, 8]).permutation(np.unique(golfers))
    return np.isin(golfers, names[: len(names) // 2])


def _understood(read: Array, true: Array, half: NDArray[np.bool_]) -> tuple[Array, Array]:
    """What readings say of the truth: a line through the other half's golfers, and the SD about it."""
    mean, sd = np.empty_like(true), np.empty_like(true)
    for held_out in (half, ~half):
        for column in range(true.shape[1]):
            asked = read[held_out, column]
            slope, at, centre, spread = _line(read[~held_out, column], true[~held_out, column])
            mean[held_out, column] = np.where(np.isfinite(asked), centre + slope * (asked - at), centre)
            sd[held_out, column] = spread
    return mean, sd


def _line(x: Array, y: Array) -> tuple[float, float, float, float]:
    """Slope, where it is centred, what it says there, and the SD about it."""
    both = np.isfinite(x) & np.isfinite(y)
    if both.sum() < _FEWEST or np.ptp(x[both]) == 0:
        usual = y[np.isfinite(y)] if np.isfinite(y).any() else np.zeros(1)
        return 0.0, 0.0, float(usual.mean()), max(float(usual.std()), _MIN_SD)
    slope = float(np.polyfit(x[both], y[both], 1)[0])
    at, centre = float(x[both].mean()), float(y[both].mean())
    left = y[both] - centre - slope * (x[both] - at)
    return slope, at, centre, max(float(left.std()), _MIN_SD)
