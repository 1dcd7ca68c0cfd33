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
def slope_weights(clock, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """What `cubics` needs of each interval of a swing's clock, ``(5, n_samples)``: length, back, left, front, right."""
    last = len(clock) - 1
    lengths, back, left, front, right = out
    for k in range(last):
        lengths[k] = clock[k + 1] - clock[k]
    for k in range(1, last):
        step, both = lengths[k - 1], lengths[k - 1] + lengths[k]
        left[k] = step / both
        back[k] = lengths[k] * lengths[k] / (step * both)
    for k in range(last - 1):
        step, both = lengths[k + 1], lengths[k + 1] + lengths[k]
        right[k] = step / both
        front[k] = lengths[k] * lengths[k] / (step * both)


@njit(cache=True, nogil=True)
def cubics(values, weights, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """One channel's cubics of the share of the way along each interval, ``(3, n_samples)``; the values come first.

    The slope at a sample is that of the parabola through it and its two neighbours.
    """
    last = len(values) - 1
    _, back, left, front, right = weights
    for k in range(last):
        rise = values[k + 1] - values[k]
        m0 = m1 = rise
        if k > 0:
            m0 = (values[k] - values[k - 1]) * back[k] + rise * left[k]
        if k < last - 1:
            m1 = rise * right[k] + (values[k + 2] - values[k + 1]) * front[k]
        out[0, k] = m0
        out[1, k] = 3 * rise - 2 * m0 - m1
        out[2, k] = m0 + m1 - 2 * rise


@njit(cache=True, nogil=True)
def along(values, parts, low, share):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """A channel's value a share of the way from sample `low` to the next, by its cubics."""
    return values[low] + share * (parts[0, low] + share * (parts[1, low] + share * parts[2, low]))


@njit(cache=True, nogil=True)
def read_even(curve, place, weight, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """One evenly sampled curve at places and shares of the way to the next, linear."""
    for q in range(len(out)):
        out[q] = curve[place[q]] * (1 - weight[q]) + curve[place[q] + 1] * weight[q]


@njit(cache=True, nogil=True)
def find_even(position, count, place, weight):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Places on an even clock of `count` samples, and shares of the way to the next; the ends are held."""
    for q in range(len(position)):
        at = min(max(position[q], 0.0), count - 1.0)
        low = min(int(at), count - 2)
        place[q] = low
        weight[q] = at - low


@njit(cache=True, nogil=True)
def _lookup(values, position, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    n_swings, n_channels, count = values.shape
    place, weight = np.empty(position.shape[1], dtype=np.int64), np.empty(position.shape[1])
    for row in range(n_swings):
        find_even(position[row], count, place, weight)
        for c in range(n_channels):
            read_even(values[row, c], place, weight, out[row, c])


def lookup(values: Array, position: Array) -> Array:
    """Values of evenly sampled curves at fractional sample positions, linear; the ends are held.

    ``(n_swings, n_channels, n_samples)`` and ``(n_swings, n_queries)`` give ``(n_swings, n_channels, n_queries)``.
    """
    out = np.empty((values.shape[0], values.shape[1], position.shape[1]))
    _lookup(np.ascontiguousarray(values), np.ascontiguousarray(position, dtype=np.float64), out)
    return out
