"""The catalogue's measures, read off curves that lie on a common grid of swing phases.

The one place where a measure is turned into numbers: the generator's truth, the features and the report all call it.

A phase coordinate runs 0 to 1 over the backswing (b), 1 to 2 over the downswing (1 + d) and 2 to 3 after impact
(2 + f, in units of the downswing's duration).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numba import vectorize
from numpy.typing import NDArray

from faultml.faults.catalogue import PHASE_STARTS, Catalogue, Measure, Position

Array = NDArray[np.float64]

PHASE_GRID: Final[Array] = np.concatenate(
    [np.linspace(0, 1, 51), np.linspace(1, 2, 101)[1:], np.linspace(2, 3, 51)[1:]]
)
"""Phase coordinates of the common grid, ``(201,)``. Every position of the catalogue lies on it."""

TOP_INDEX: Final = 50
IMPACT_INDEX: Final = 150


@vectorize(cache=True)
def _moment(takeaway, top, impact, phase):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    if phase < 1:
        return takeaway + phase * (top - takeaway)
    if phase < 2:
        return top + (phase - 1) * (impact - top)
    return impact + (phase - 2) * (impact - top)


def phase_times(landmarks_s: Array, phases: Array = PHASE_GRID) -> Array:
    """Times of phase coordinates, ``(n_swings, n_phases)``, from ``(n_swings, 4)`` landmark times in seconds."""
    takeaway, top, impact = (landmarks_s[:, [k]] for k in range(3))
    times: Array = _moment(takeaway, top, impact, phases)
    return times


def coordinate(position: Position) -> float:
    """Phase coordinate of a position such as b 0.6."""
    return PHASE_STARTS[position.phase] + position.fraction


def grid_index(position: Position) -> int:
    """Index of the grid point nearest to a position."""
    return int(np.abs(PHASE_GRID - coordinate(position)).argmin())


def evaluate(measure: Measure, curves_deg: Array) -> Array:
    """One measure of every swing, ``(n_swings,)``.

    Parameters
    ----------
    measure
        What to read.
    curves_deg
        ``(n_swings, n_channels, n_phases)`` degrees relative to address, on `PHASE_GRID`; NaN where not recorded.

    Returns
    -------
    array
        Degrees, or the share of the downswing for a ``release``; NaN where the curve does not reach that far or, for a
        release, where less than `least_deg` is unhinged.
    """
    start, end = (grid_index(position) for position in measure.span)
    curve = curves_deg[:, measure.channel_index]
    match measure.stat:
        case "at":
            return curve[:, start]
        case "min":
            return curve[:, start : end + 1].min(axis=1)
        case "max":
            return curve[:, start : end + 1].max(axis=1)
        case "drop":
            return curve[:, start] - curve[:, start : end + 1].min(axis=1)
        case "change":
            return curve[:, end] - curve[:, start]
        case "release":
            return _release(curve[:, start : end + 1], PHASE_GRID[start : end + 1], measure)


def _release(ulnar_deg: Array, phases: Array, measure: Measure) -> Array:
    least = ulnar_deg.min(axis=1, keepdims=True)
    unhinging = ulnar_deg[:, -1:] - least
    target = least + measure.share * unhinging
    # The last time the curve rises through the level: noise about the most hinged moment is no release.
    below = ulnar_deg[:, :-1] < target
    after = below.shape[1] - below[:, ::-1].argmax(axis=1)
    rows = np.arange(len(ulnar_deg))
    low, high = ulnar_deg[rows, after - 1], ulnar_deg[rows, after]
    with np.errstate(invalid="ignore", divide="ignore"):
        step = np.clip((target[:, 0] - low) / (high - low), 0, 1)
    moment = phases[after - 1] + step * (phases[after] - phases[after - 1])
    return np.where(unhinging[:, 0] >= measure.least_deg, moment - 1, np.nan)


def evaluate_all(catalogue: Catalogue, curves_deg: Array) -> Array:
    """Every fault's measure, ``(n_swings, n_faults)``, in catalogue order."""
    return np.column_stack([evaluate(fault.measure, curves_deg) for fault in catalogue.faults])


def evaluate_guards(catalogue: Catalogue, curves_deg: Array) -> Array:
    """The guard readings, ``(n_swings, n_guards)``, of the faults that have one, in catalogue order."""
    guards = [evaluate(fault.guard, curves_deg) for fault in catalogue.faults if fault.guard]
    return np.column_stack(guards) if guards else np.empty((len(curves_deg), 0))


def late_save(catalogue: Catalogue, curves_deg: Array) -> tuple[NDArray[np.bool_], Array, Array]:
    """Whether a strong bow was given back before impact, with its peak and what was given back, all ``(n_swings,)``."""
    pattern = catalogue.late_save
    peak = evaluate(pattern.peak, curves_deg)
    given_back = peak - curves_deg[:, pattern.peak.channel_index, IMPACT_INDEX]
    needed = np.maximum(pattern.given_back, pattern.given_back_share * peak)
    return (peak > pattern.past) & (given_back >= needed), peak, given_back
