"""Where in the swing a fault starts: the moment its curve first leaves the reference corridor."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.faults.catalogue import Fault
from faultml.faults.measure import PHASE_GRID, STATS, measure_table
from faultml.kernels import kernel

Array = NDArray[np.float64]

_, _MIN, _MAX, _DROP, _CHANGE, _RELEASE = range(len(STATS))


def onset_phases(fault: Fault, curves_deg: Array, measure: Array, edges: Array) -> Array:
    """Phase coordinate of each swing's onset, ``(n_swings,)``.

    Parameters
    ----------
    fault
        The fault.
    curves_deg
        ``(n_swings, 3, n_phases)`` relative to address, on `PHASE_GRID`.
    measure, edges
        ``(n_swings,)`` the fault's estimated measure and the edge that holds for each swing.

    Notes
    -----
    A reading at one moment, a minimum or a maximum is followed back from that moment to where the curve crossed the
    edge. A drop or change starts where the curve has gone as far as the edge allows. A release starts where it is
    measured. Where the recorded curve itself never crosses, the onset is where the measure is read.
    """
    return all_onset_phases((fault,), curves_deg, measure[:, None], edges[:, None])[:, 0]


def all_onset_phases(faults: tuple[Fault, ...], curves_deg: Array, measures: Array, edges: Array) -> Array:
    """The same for several faults, ``(n_swings, n_faults)``, as `measures` and `edges` are."""
    table = measure_table(tuple(fault.measure for fault in faults))
    signs = np.array([float(fault.sign) for fault in faults])
    phases = np.empty(measures.shape)
    curves_deg = np.ascontiguousarray(curves_deg, dtype=np.float64)
    measures, edges = np.ascontiguousarray(measures), np.ascontiguousarray(edges)
    _onsets(table, signs, curves_deg, measures, edges, PHASE_GRID, phases)
    return phases


@kernel
def _first_past(curve, origin, direction, first, last, edge):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """The first place from `first` on where a curve has gone further from its origin than an edge; else `last`."""
    for q in range(first, last + 1):
        if direction * (curve[q] - origin) > edge:
            return q
    return last


@kernel
def _crossing(curve, extreme, sign, edge):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Back from an extreme to where the curve crossed the edge; the extreme itself where it never did."""
    if not sign * (curve[extreme] - edge) > 0:
        return extreme
    inside = extreme
    while inside >= 0 and sign * (curve[inside] - edge) > 0:
        inside -= 1
    return extreme if inside < 0 else min(inside + 1, extreme)


@kernel
def _onset(table, k, sign, d_deg, measure, edge, phases):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    stat, start, end = table.stat[k], table.start[k], table.end[k]
    curve = d_deg[table.channel[k]]
    if stat == _RELEASE:
        return 1 + measure
    if stat == _DROP:
        return phases[_first_past(curve, curve[start], -1.0, start, end, edge)]
    if stat == _CHANGE:
        early, late = min(start, end), max(start, end)
        if sign < 0:
            return phases[late]
        direction = 1.0 if start < end else -1.0
        return phases[_first_past(curve, curve[early], direction, early, late, edge)]
    extreme = start
    if stat == _MIN and sign > 0:
        return phases[start]
    for q in range(start, end + 1):
        if curve[q] != curve[q]:
            extreme = q
            break
        if (stat == _MAX and curve[q] > curve[extreme]) or (stat == _MIN and curve[q] < curve[extreme]):
            extreme = q
    return phases[_crossing(curve, extreme, sign, edge)]


@kernel
def _onsets(table, signs, curves_deg, measures, edges, phases, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for row in range(len(out)):
        for k in range(len(signs)):
            out[row, k] = _onset(table, k, signs[k], curves_deg[row], measures[row, k], edges[row, k], phases)


PHASE_LETTERS: Final = ("b", "d", "f")


def phase_parts(coordinates: Array) -> tuple[NDArray[np.int8], Array]:
    """Places in `PHASE_LETTERS` and fractions of phase coordinates, in the shape of `coordinates`."""
    whole = np.clip(np.nan_to_num(np.floor(coordinates)), 0, 2)
    # The top belongs to the backswing and impact to the downswing: b 1.00, d 1.00.
    whole = np.where((coordinates == whole) & (whole > 0), whole - 1, whole)
    return whole.astype(np.int8), coordinates - whole


def phase_words(coordinates: Array) -> tuple[NDArray[np.object_], Array]:
    """Phase letters (b, d, f) and fractions of phase coordinates, both ``(n_swings,)``."""
    places, fractions = phase_parts(coordinates)
    return np.array(PHASE_LETTERS, dtype=object)[places], fractions
