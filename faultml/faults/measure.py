"""The catalogue's measures, read off curves that lie on a common grid of swing phases.

The one place where a measure is turned into numbers: the generator's truth, the features and the report all call it.

A phase coordinate runs 0 to 1 over the backswing (b), 1 to 2 over the downswing (1 + d) and 2 to 3 after impact
(2 + f, in units of the downswing's duration).
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from faultml.faults.catalogue import PHASE_STARTS, Catalogue, Measure, Position
from faultml.kernels import kernel

Array = NDArray[np.float64]

PHASE_GRID: Final[Array] = np.concatenate(
    [np.linspace(0, 1, 51), np.linspace(1, 2, 101)[1:], np.linspace(2, 3, 51)[1:]]
)
"""Phase coordinates of the common grid, ``(201,)``. Every position of the catalogue lies on it."""

TOP_INDEX: Final = 50
IMPACT_INDEX: Final = 150

STATS: Final = ("at", "min", "max", "drop", "change", "release")
_AT, _MIN, _MAX, _DROP, _CHANGE, _ = range(len(STATS))


@kernel
def phase_time(takeaway, top, impact, phase):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """The time of one phase coordinate."""
    if phase < 1:
        return takeaway + phase * (top - takeaway)
    if phase < 2:
        return top + (phase - 1) * (impact - top)
    return impact + (phase - 2) * (impact - top)


@kernel
def _phase_times(landmarks_s, phases, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for row in range(out.shape[0]):
        for k in range(out.shape[1]):
            out[row, k] = phase_time(
                landmarks_s[row, 0], landmarks_s[row, 1], landmarks_s[row, 2], phases[row, k]
            )


def phase_times(landmarks_s: Array, phases: Array = PHASE_GRID) -> Array:
    """Times of phase coordinates, ``(n_swings, n_phases)``, from ``(n_swings, 4)`` landmark times in seconds.

    `phases` are ``(n_phases,)``, or ``(n_swings, n_phases)``.
    """
    shaped = np.ascontiguousarray(np.broadcast_to(phases, (len(landmarks_s), phases.shape[-1])), np.float64)
    times = np.empty(shaped.shape)
    _phase_times(np.ascontiguousarray(landmarks_s, dtype=np.float64), shaped, times)
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
        release, where less than `min_deg` is unhinged.
    """
    return _evaluated((measure,), curves_deg)[:, 0]


class MeasureTable(NamedTuple):
    """Measures as arrays, for kernels: what is read, of which channel, between which places of the grid.

    Attributes
    ----------
    stat, channel, start, end
        ``(n_measures,)``; `stat` is the place in `STATS`.
    share, min_deg
        ``(n_measures,)`` of releases.
    """

    stat: NDArray[np.int64]
    channel: NDArray[np.int64]
    start: NDArray[np.int64]
    end: NDArray[np.int64]
    share: Array
    min_deg: Array


@lru_cache(maxsize=64)
def measure_table(measures: tuple[Measure, ...]) -> MeasureTable:
    """Measures as arrays."""
    spans = [[grid_index(position) for position in measure.span] for measure in measures]
    return MeasureTable(
        stat=np.array([STATS.index(measure.stat) for measure in measures], dtype=np.int64),
        channel=np.array([measure.channel_index for measure in measures], dtype=np.int64),
        start=np.array([start for start, _ in spans], dtype=np.int64),
        end=np.array([end for _, end in spans], dtype=np.int64),
        share=np.array([measure.share for measure in measures], dtype=np.float64),
        min_deg=np.array([measure.min_deg for measure in measures], dtype=np.float64),
    )


def fault_measures(catalogue: Catalogue) -> tuple[Measure, ...]:
    """Every fault's measure, in catalogue order."""
    return tuple(fault.measure for fault in catalogue.faults)


def guard_measures(catalogue: Catalogue) -> tuple[Measure, ...]:
    """The guard readings of the faults that have one, in catalogue order."""
    return tuple(fault.guard for fault in catalogue.faults if fault.guard)


@kernel
def read_measure(table, k, d_deg, phases):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """One measure of one swing's curves ``(n_channels, n_phases)``; NaN where a sample that it needs is NaN."""
    stat, start, end = table.stat[k], table.start[k], table.end[k]
    curve = d_deg[table.channel[k]]
    if stat == _AT:
        return curve[start]
    if stat == _CHANGE:
        return curve[end] - curve[start]
    lowest = highest = curve[start]
    for q in range(start, end + 1):
        if curve[q] != curve[q]:
            return np.nan
        lowest, highest = min(lowest, curve[q]), max(highest, curve[q])
    if stat == _MIN:
        return lowest
    if stat == _MAX:
        return highest
    if stat == _DROP:
        return curve[start] - lowest
    unhinging = curve[end] - lowest
    if not unhinging >= table.min_deg[k]:
        return np.nan
    target = lowest + table.share[k] * unhinging
    # The last time the curve rises through the level: noise about the most hinged moment is no release.
    after = end
    while after > start and not curve[after - 1] < target:
        after -= 1
    if after == start:
        after = end
    step = min(max((target - curve[after - 1]) / (curve[after] - curve[after - 1]), 0.0), 1.0)
    return phases[after - 1] + step * (phases[after] - phases[after - 1]) - 1


@kernel
def read_measures(table, d_deg, phases, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Every measure of one swing."""
    for k in range(len(table.stat)):
        out[k] = read_measure(table, k, d_deg, phases)


@kernel
def _read_all(table, curves_deg, phases, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for row in range(len(curves_deg)):
        read_measures(table, curves_deg[row], phases, out[row])


def _evaluated(measures: tuple[Measure, ...], curves_deg: Array) -> Array:
    out = np.empty((len(curves_deg), len(measures)))
    _read_all(measure_table(measures), np.ascontiguousarray(curves_deg, dtype=np.float64), PHASE_GRID, out)
    return out


def evaluate_all(catalogue: Catalogue, curves_deg: Array) -> Array:
    """Every fault's measure, ``(n_swings, n_faults)``, in catalogue order."""
    return _evaluated(fault_measures(catalogue), curves_deg)


def evaluate_guards(catalogue: Catalogue, curves_deg: Array) -> Array:
    """The guard readings, ``(n_swings, n_guards)``, of the faults that have one, in catalogue order."""
    return _evaluated(guard_measures(catalogue), curves_deg)


def late_save(catalogue: Catalogue, curves_deg: Array) -> tuple[NDArray[np.bool_], Array, Array]:
    """Whether a strong bow was given back before impact, with its peak and what was given back, all ``(n_swings,)``."""
    pattern = catalogue.late_save
    peak = evaluate(pattern.peak, curves_deg)
    given_back = peak - curves_deg[:, pattern.peak.channel_index, IMPACT_INDEX]
    needed = np.maximum(pattern.given_back, pattern.given_back_share * peak)
    return (peak > pattern.past) & (given_back >= needed), peak, given_back
