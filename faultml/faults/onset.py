"""Where in the swing a fault starts: the moment its curve first leaves the reference corridor."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from faultml.faults.catalogue import Fault
from faultml.faults.measure import PHASE_GRID, grid_index

Array = NDArray[np.float64]


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
    reading = fault.measure
    curve = curves_deg[:, reading.channel_index]
    first, last = (grid_index(position) for position in reading.span)
    rows = np.arange(len(curve))
    match reading.stat:
        case "release":
            return 1 + measure
        case "drop":
            return PHASE_GRID[_first_past(curve[:, [first]] - curve, first, last, edges)]
        case "change":
            early, late = min(first, last), max(first, last)
            if fault.side == "below":
                return np.full(len(curve), PHASE_GRID[late])
            gone = (curve - curve[:, [early]]) * (1 if first < last else -1)
            return PHASE_GRID[_first_past(gone, early, late, edges)]
        case "at":
            extreme = np.full(len(curve), first)
        case "max":
            extreme = first + curve[:, first : last + 1].argmax(axis=1)
        case "min":
            extreme = first + curve[:, first : last + 1].argmin(axis=1)
            if fault.side == "above":
                return np.full(len(curve), PHASE_GRID[first])
    past = fault.sign * (curve - edges[:, None]) > 0
    inside_before = np.where(np.arange(curve.shape[1]) <= extreme[:, None], ~past, False)
    last_inside = curve.shape[1] - 1 - inside_before[:, ::-1].argmax(axis=1)
    crossed = past[rows, extreme] & inside_before.any(axis=1)
    return PHASE_GRID[np.where(crossed, np.minimum(last_inside + 1, extreme), extreme)]


def _first_past(gone_deg: Array, first: int, last: int, edges: Array) -> NDArray[np.int64]:
    past = gone_deg[:, first : last + 1] > edges[:, None]
    return np.where(past.any(axis=1), first + past.argmax(axis=1), last)


def phase_words(coordinates: Array) -> tuple[NDArray[np.object_], Array]:
    """Phase letters (b, d, f) and fractions of phase coordinates, both ``(n_swings,)``."""
    whole = np.clip(np.nan_to_num(np.floor(coordinates)), 0, 2)
    # The top belongs to the backswing and impact to the downswing: b 1.00, d 1.00.
    whole = np.where((coordinates == whole) & (whole > 0), whole - 1, whole)
    letters = np.array(["b", "d", "f"], dtype=object)[whole.astype(int)]
    return letters, coordinates - whole
