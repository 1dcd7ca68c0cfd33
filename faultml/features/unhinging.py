"""How the wrist unhinges, told at several shares of the way.

The catalogue's measure is the moment at one share. Where the curve is flat or noisy there, that moment jumps; the
others say by how much it may be off, and to which side.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from faultml.faults.catalogue import Catalogue
from faultml.faults.measure import PHASE_GRID, grid_index

Array = NDArray[np.float64]

SHARES: Final = (0.08, 0.15, 0.25, 0.35, 0.50, 0.75)
"""Shares of the way from the most hinged moment to the end of the measure's span."""

_STEEPNESS_REACH: Final = 3


@njit(cache=True, nogil=True)
def _unhinging(curves, phases, shares, reach, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    count = curves.shape[1]
    for row in range(curves.shape[0]):
        curve = curves[row]
        hinged = 0
        for k in range(count):
            if curve[k] < curve[hinged]:
                hinged = k
        way = curve[count - 1] - curve[hinged]
        out[row, 0], out[row, 1] = way, phases[hinged]
        for s in range(len(shares)):
            level = curve[hinged] + shares[s] * way
            first = hinged
            while first < count - 1 and curve[first] < level:
                first += 1
            last = count - 1
            while last > hinged + 1 and curve[last - 1] >= level:
                last -= 1
            out[row, 2 + 3 * s] = phases[first]
            out[row, 3 + 3 * s] = phases[last]
            out[row, 4 + 3 * s] = curve[min(last + reach, count - 1)] - curve[max(last - reach - 1, 0)]


def unhinging(catalogue: Catalogue, d_deg: Array) -> tuple[list[str], Array]:
    """Features of every release in the catalogue, from ``(n_swings, n_channels, n_phases)`` degrees on `PHASE_GRID`.

    How far it goes, from where, and for each of `SHARES` when it is first and last passed and how steeply the last
    time. A curve that is not known to the end of the span gives NaN or the span's ends.
    """
    names: list[str] = []
    values = [np.empty((len(d_deg), 0))]
    told = ["way", "from"] + [
        f"{what}@{share:.2f}" for share in SHARES for what in ("first", "last", "steep")
    ]
    for fault in catalogue.faults:
        if fault.measure.stat != "release":
            continue
        start, end = (grid_index(position) for position in fault.measure.span)
        out = np.empty((len(d_deg), len(told)))
        curves = np.ascontiguousarray(d_deg[:, fault.measure.channel_index, start : end + 1])
        _unhinging(curves, PHASE_GRID[start : end + 1], np.array(SHARES), _STEEPNESS_REACH, out)
        names += [f"unhinging:{fault.id}_{name}" for name in told]
        values.append(out)
    return names, np.concatenate(values, axis=1)
