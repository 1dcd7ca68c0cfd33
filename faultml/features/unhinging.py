"""How the wrist unhinges, read at several shares of the way.

The catalogue's measure is the moment at one share. Where the curve is flat or noisy there, that moment jumps; the
others say by how much it may be off, and to which side.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.faults.catalogue import Catalogue
from faultml.faults.measure import PHASE_GRID, grid_index
from faultml.kernels import kernel

Array = NDArray[np.float64]

SHARES: Final = (0.08, 0.15, 0.25, 0.35, 0.50, 0.75)
"""Shares of the way from the most hinged moment to the end of the measure's span."""

_STEEPNESS_REACH: Final = 3


@kernel
def _unhinging(d_deg, channel, start, end, grid, shares, reach, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    count, phases = end + 1 - start, grid[start : end + 1]
    for row in range(len(d_deg)):
        curve = d_deg[row, channel, start : end + 1]
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


_READ: Final = (
    "way",
    "from",
    *(f"{what}@{share:.2f}" for share in SHARES for what in ("first", "last", "steep")),
)


def unhinging_names(catalogue: Catalogue) -> tuple[str, ...]:
    """One name a column of `unhinging`."""
    return tuple(
        f"unhinging:{fault.id}_{name}"
        for fault in catalogue.faults
        if fault.measure.stat == "release"
        for name in _READ
    )


def unhinging(catalogue: Catalogue, d_deg: Array) -> Array:
    """Features of every release in the catalogue, from ``(n_swings, n_channels, n_phases)`` degrees on `PHASE_GRID`.

    How far it goes, from where, and for each of `SHARES` when it is first and last passed and how steeply the last
    time. A curve that is not known to the end of the span gives NaN or the span's ends.
    """
    out = np.empty((len(d_deg), len(unhinging_names(catalogue))))
    releases = [fault.measure for fault in catalogue.faults if fault.measure.stat == "release"]
    for k, measure in enumerate(releases):
        start, end = (grid_index(position) for position in measure.span)
        columns = slice(k * len(_READ), (k + 1) * len(_READ))
        channel = measure.channel_index
        _unhinging(
            d_deg, channel, start, end, PHASE_GRID, np.array(SHARES), _STEEPNESS_REACH, out[:, columns]
        )
    return out
