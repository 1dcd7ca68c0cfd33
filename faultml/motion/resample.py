"""Reading ragged, unevenly sampled angles at any times, for whole batches."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from faultml.kernels import kernel

Array = NDArray[np.float64]

_TWO, _THREE = np.float32(2), np.float32(3)


@kernel
def known(value):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """A value, or 0 for one that is lost."""
    return value if value == value else 0.0


@kernel
def slope_weights(clock, by, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """What `cubics` needs of each interval of a swing's clock, ``(4, n_samples)``: back, left, front, right.

    `by` is one over each interval's length. Shares are taken in double precision: a clock may count from any year.
    """
    last = len(clock) - 1
    back, left, front, right = out
    for k in range(last):
        by[k] = 1.0 / (clock[k + 1] - clock[k])
    for k in range(1, last):
        before, here = clock[k] - clock[k - 1], clock[k + 1] - clock[k]
        left[k] = before / (before + here)
        back[k] = here * here / (before * (before + here))
    for k in range(last - 1):
        here, after = clock[k + 1] - clock[k], clock[k + 2] - clock[k + 1]
        right[k] = after / (here + after)
        front[k] = here * here / (after * (here + after))


@kernel
def cubics(values, weights, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """One channel's cubics of the share of the way along each interval, ``(3, n_samples)``; the values come first.

    The slope at a sample is that of the parabola through it and its two neighbours.
    """
    last = len(values) - 1
    back, left, front, right = weights
    first, second, third = out
    for k in range(last):
        first[k] = third[k] = values[k + 1] - values[k]
    # The slope at the interval's start, and at its end (held in `third` until both are known).
    for k in range(1, last):
        first[k] = (values[k] - values[k - 1]) * back[k] + (values[k + 1] - values[k]) * left[k]
    for k in range(last - 1):
        third[k] = (values[k + 1] - values[k]) * right[k] + (values[k + 2] - values[k + 1]) * front[k]
    for k in range(last):
        rise = values[k + 1] - values[k]
        start, end = first[k], third[k]
        second[k] = _THREE * rise - _TWO * start - end
        third[k] = start + end - _TWO * rise


@kernel
def along(values, parts, low, share):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """A channel's value a share of the way from sample `low` to the next, by its cubics."""
    return values[low] + share * (parts[0, low] + share * (parts[1, low] + share * parts[2, low]))


@kernel
def read_even(curve, place, weight, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """One evenly sampled curve at places and shares of the way to the next, linear."""
    for q in range(len(out)):
        out[q] = curve[place[q]] * (1.0 - weight[q]) + curve[place[q] + 1] * weight[q]


@kernel
def find_even(times, start, rate_hz, count, place, weight):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Places of times on an even clock of `count` samples, and shares of the way to the next; the ends are held."""
    for q in range(len(times)):
        at = min(max((times[q] - start) * rate_hz, 0.0), count - 1.0)
        low = min(int(at), count - 2)
        place[q] = low
        weight[q] = at - low


@kernel
def _lookup(values, times, start, rate_hz, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    n_swings, n_channels, count = values.shape
    place, weight = np.empty(times.shape[1], dtype=np.uint32), np.empty(times.shape[1])
    for row in range(n_swings):
        find_even(times[row], start, rate_hz, count, place, weight)
        for c in range(n_channels):
            read_even(values[row, c], place, weight, out[row, c])


def lookup(values: NDArray[np.floating], times_s: Array, start_s: float, rate_hz: float) -> Array:
    """Values of curves sampled evenly from `start_s` on at any times, linear; the ends are held.

    ``(n_swings, n_channels, n_samples)`` and ``(n_swings, n_queries)`` give ``(n_swings, n_channels, n_queries)``.
    """
    out = np.empty((values.shape[0], values.shape[1], times_s.shape[1]))
    times = np.ascontiguousarray(times_s, dtype=np.float64)
    _lookup(np.ascontiguousarray(values), times, start_s, rate_hz, out)
    return out
