"""One pass over a window's rates: fastest moments in the downswing, most hinged moment, path before and after."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from faultml.kernels import kernel
from faultml.motion.window import OFFSETS_S, RATE_HZ, Windows

Array = NDArray[np.float64]

_PAST_IMPACT_S = 0.06
_BEFORE_TOP_S = 0.15
_ADDRESS_S = 0.5


@dataclass(frozen=True)
class Scan:
    """What one pass finds.

    Attributes
    ----------
    fastest_dps, slowest_dps
        ``(n_swings, 3)`` greatest and least rate of each channel from the top to 60 ms after impact, 0 at least and at
        most.
    fastest_s, slowest_s
        ``(n_swings, 3)`` when, relative to the anchor.
    peak_dps, peak_s
        ``(n_swings,)`` greatest rate of all channels together, and when.
    hinged_s, opened_s
        ``(n_swings,)`` the most hinged and the most pronated moment from 150 ms before the top to impact.
    before_deg, through_deg, after_deg
        ``(n_swings,)`` path of all channels in the half second before the takeaway, up to the finish, and after it.
    """

    fastest_dps: Array
    slowest_dps: Array
    fastest_s: Array
    slowest_s: Array
    peak_dps: Array
    peak_s: Array
    hinged_s: Array
    opened_s: Array
    before_deg: Array
    through_deg: Array
    after_deg: Array


@kernel
def _scan(angles, rates, offset_s, clock, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for row in range(rates.shape[0]):
        takeaway, top, impact, finish = offset_s[row]
        out[row, :] = 0.0
        # Where nothing stands out, the window's first moment is given.
        out[row, 6:12] = clock[0]
        out[row, 13:16] = clock[0]
        hinged, opened = np.inf, -np.inf
        for q in range(len(clock)):
            now = clock[q]
            total = 0.0
            for c in range(3):
                total += rates[row, c, q] ** 2
            speed = np.sqrt(total)
            if now > top and now < impact + _PAST_IMPACT_S:
                for c in range(3):
                    rate = rates[row, c, q]
                    if rate > out[row, c]:
                        out[row, c], out[row, 6 + c] = rate, now
                    if rate < out[row, 3 + c]:
                        out[row, 3 + c], out[row, 9 + c] = rate, now
                if speed > out[row, 12]:
                    out[row, 12], out[row, 13] = speed, now
            if now > top - _BEFORE_TOP_S and now < impact:
                if angles[row, 1, q] < hinged:
                    hinged, out[row, 14] = angles[row, 1, q], now
                if angles[row, 2, q] > opened:
                    opened, out[row, 15] = angles[row, 2, q], now
            if now < takeaway:
                if now > takeaway - _ADDRESS_S:
                    out[row, 16] += speed
            elif now <= finish:
                out[row, 17] += speed
            if now > finish:
                out[row, 18] += speed


def scan(windows: Windows, offset_s: Array) -> Scan:
    """Scan every window of a batch; `offset_s` are landmarks relative to the anchor, ``(n_swings, 4)``."""
    out = np.empty((len(windows), 19))
    _scan(windows.angles_deg, windows.rates_dps, np.ascontiguousarray(offset_s), OFFSETS_S, out)
    return Scan(
        fastest_dps=out[:, 0:3],
        slowest_dps=out[:, 3:6],
        fastest_s=out[:, 6:9],
        slowest_s=out[:, 9:12],
        peak_dps=out[:, 12],
        peak_s=out[:, 13],
        hinged_s=out[:, 14],
        opened_s=out[:, 15],
        before_deg=out[:, 16] / RATE_HZ,
        through_deg=out[:, 17] / RATE_HZ,
        after_deg=out[:, 18] / RATE_HZ,
    )
