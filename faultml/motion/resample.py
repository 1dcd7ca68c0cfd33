"""Reading ragged, unevenly sampled angles at any times, for whole batches."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]


@njit(cache=True, nogil=True)
def known(value):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """A value, or 0 for one that is lost."""
    return value if value == value else 0.0


@njit(cache=True, nogil=True)
def cubics(t_s, values, row, count, low, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """A swing's cubics between samples `low` and `low + 1`: ``(n_channels, 4)`` coefficients of the share of the way.

    The slope at a sample is that of the parabola through it and its two neighbours. Returns the interval's length.
    """
    h = t_s[row, low + 1] - t_s[row, low]
    back = left = front = right = 0.0
    if low > 0:
        step = t_s[row, low] - t_s[row, low - 1]
        left = step / (step + h)
        back = h * h / (step * (step + h))
    if low < count - 2:
        step = t_s[row, low + 2] - t_s[row, low + 1]
        right = step / (step + h)
        front = h * h / (step * (step + h))
    for c in range(values.shape[1]):
        y0, y1 = known(values[row, c, low]), known(values[row, c, low + 1])
        rise = y1 - y0
        m0 = m1 = rise
        if low > 0:
            m0 = (y0 - known(values[row, c, low - 1])) * back + rise * left
        if low < count - 2:
            m1 = rise * right + (known(values[row, c, low + 2]) - y1) * front
        out[c, 0], out[c, 1] = y0, m0
        out[c, 2] = 3 * rise - 2 * m0 - m1
        out[c, 3] = m0 + m1 - 2 * rise
    return h


@njit(cache=True, nogil=True)
def _interpolate(t_s, values, n_samples, query_s, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    n_swings, n_channels, _ = values.shape
    k = np.empty((n_channels, 4))
    for row in range(n_swings):
        count = n_samples[row]
        low, read, per_s = 0, -1, 0.0
        for q in range(query_s.shape[1]):
            time = query_s[row, q]
            if count < 2 or not (t_s[row, 0] <= time <= t_s[row, count - 1]):
                out[row, :, q] = np.nan
                continue
            if t_s[row, low] > time:
                low = 0
            while low < count - 2 and t_s[row, low + 1] <= time:
                low += 1
            if low != read:
                per_s = 1.0 / cubics(t_s, values, row, count, low, k)
                read = low
            s = (time - t_s[row, low]) * per_s
            for c in range(n_channels):
                out[row, c, q] = k[c, 0] + s * (k[c, 1] + s * (k[c, 2] + s * k[c, 3]))


def interpolate(t_s: Array, values: Array, n_samples: NDArray[np.int64], query_s: Array) -> Array:
    """Values at any times by piecewise cubics (slopes from the three nearest samples).

    Parameters
    ----------
    t_s
        ``(n_swings, n_samples)`` increasing times.
    values
        ``(n_swings, n_channels, n_samples)``; lost values (NaN) count as 0.
    n_samples
        ``(n_swings,)`` how many samples of each row count.
    query_s
        ``(n_swings, n_queries)`` times, best in increasing order.

    Returns
    -------
    array
        ``(n_swings, n_channels, n_queries)``; NaN outside a swing's samples.
    """
    out = np.empty((values.shape[0], values.shape[1], query_s.shape[1]))
    _interpolate(
        np.ascontiguousarray(t_s, dtype=np.float64),
        np.ascontiguousarray(values, dtype=np.float64),
        np.ascontiguousarray(n_samples, dtype=np.int64),
        np.ascontiguousarray(query_s, dtype=np.float64),
        out,
    )
    return out


@njit(cache=True, nogil=True)
def _lookup(values, position, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    n_swings, n_channels, count = values.shape
    for row in range(n_swings):
        for q in range(position.shape[1]):
            at = min(max(position[row, q], 0.0), count - 1.0)
            low = min(int(at), count - 2)
            weight = at - low
            for c in range(n_channels):
                out[row, c, q] = values[row, c, low] * (1 - weight) + values[row, c, low + 1] * weight


def lookup(values: Array, position: Array) -> Array:
    """Values of evenly sampled curves at fractional sample positions, linear; the ends are held.

    ``(n_swings, n_channels, n_samples)`` and ``(n_swings, n_queries)`` give ``(n_swings, n_channels, n_queries)``.
    """
    out = np.empty((values.shape[0], values.shape[1], position.shape[1]))
    _lookup(np.ascontiguousarray(values), np.ascontiguousarray(position, dtype=np.float64), out)
    return out
