"""Kernels of the features that are read off the phase curves and the window: one pass a swing each."""

from __future__ import annotations

from faultml.faults.measure import read_measures
from faultml.kernels import kernel
from faultml.motion.curves import read_curve


@kernel
def read_slopes(table, angles, offset_s, sd_s, address, end_s, forearm, d_deg, phases, top, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled  # fmt: skip
    """Half the change of each measure between a landmark one SD late and one SD early, ``(3, n_swings, n_measures)``.

    Only the part of the curves that a landmark moves is read again: the phases after impact are in units of the
    downswing's duration, so that the top moves them too.
    """
    moved, n_measures = d_deg[0].copy(), len(table.stat)
    late, count = d_deg[0, 0, :n_measures].copy(), d_deg.shape[2]
    for row in range(len(angles)):
        for landmark in range(3):
            first = top if landmark == 2 else 0
            last = top + 1 if landmark == 0 else count
            moved[:] = d_deg[row]
            for sign in (1.0, -1.0):
                at0, at1, at2 = offset_s[row, 0], offset_s[row, 1], offset_s[row, 2]
                step = sign * sd_s[row, landmark]
                if landmark == 0:
                    at0 += step
                elif landmark == 1:
                    at1 += step
                else:
                    at2 += step
                read_curve(
                    angles[row], at0, at1, at2, address[row], end_s[row], forearm[row], first, last, moved
                )
                if sign > 0:
                    read_measures(table, moved, phases, late)
                else:
                    read_measures(table, moved, phases, out[landmark, row])
            for k in range(n_measures):
                out[landmark, row, k] = (late[k] - out[landmark, row, k]) / 2


@kernel
def read_around(angles, offset_s, landmark, moments_s, address, start_s, rate_hz, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled  # fmt: skip
    """Angles relative to address at fixed times about a landmark, ``(n_swings, 3 * n_moments)``."""
    count, n_moments = angles.shape[2], len(moments_s)
    for row in range(len(angles)):
        for k in range(n_moments):
            at = min(max((offset_s[row, landmark] + moments_s[k] - start_s) * rate_hz, 0.0), count - 1.0)
            low = min(int(at), count - 2)
            share = at - low
            for c in range(3):
                here = angles[row, c, low] * (1.0 - share) + angles[row, c, low + 1] * share
                out[row, c * n_moments + k] = here - address[row, c]


@kernel
def _number(value):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    return value if value == value else 0.0


@kernel
def read_windows(d_deg, firsts, stops, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Mean, spread, least and greatest of each channel in stretches of the grid, ``(n_swings, 12 * n_windows)``.

    What is NaN counts as 0.
    """
    for row in range(len(d_deg)):
        for window in range(len(firsts)):
            first, stop = firsts[window], stops[window]
            size = stop - first
            for c in range(3):
                curve = d_deg[row, c]
                total = 0.0
                lowest = highest = _number(curve[first])
                for q in range(first, stop):
                    value = _number(curve[q])
                    total += value
                    lowest, highest = min(lowest, value), max(highest, value)
                mean, squares = total / size, 0.0
                for q in range(first, stop):
                    off = _number(curve[q]) - mean
                    squares += off * off
                place = 12 * window + c
                out[row, place], out[row, place + 3] = mean, (squares / size) ** 0.5
                out[row, place + 6], out[row, place + 9] = lowest, highest
