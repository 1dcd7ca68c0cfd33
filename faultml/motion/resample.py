"""Reading ragged, unevenly sampled angles at any times, for whole batches."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from faultml.kernels import kernel

Array = NDArray[np.float64]

_ZERO, _ONE, _TWO = np.float32(0), np.float32(1), np.float32(2)


@kernel
def known(value):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """A value, or 0 for one that is lost."""
    return value if value == value else 0.0


@kernel
def intervals(clock, length_s, by, before, after):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """What `slopes` and `along` need of each interval of a swing's clock, float32: its length and one over it.

    `before` and `after` are the weights of the rise on either side of a sample in the slope there.
    """
    last = len(clock) - 1
    for k in range(last):
        # The difference in double precision: a clock may count from any year.
        length_s[k] = clock[k + 1] - clock[k]
    for k in range(last):
        by[k] = _ONE / length_s[k]
    for k in range(1, last):
        both = _ONE / (length_s[k - 1] + length_s[k])
        before[k] = length_s[k] * by[k - 1] * both
        after[k] = length_s[k - 1] * by[k] * both
    # A line at the ends.
    before[0], after[0] = _ZERO, by[0]
    before[last], after[last] = by[last - 1], _ZERO


@kernel
def slopes(values, before, after, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """One channel's slope at each sample: that of the parabola through it and its two neighbours."""
    last = len(values) - 1
    for k in range(1, last):
        out[k] = (values[k] - values[k - 1]) * before[k] + (values[k + 1] - values[k]) * after[k]
    out[0] = (values[1] - values[0]) * after[0]
    out[last] = (values[last] - values[last - 1]) * before[last]


@kernel
def along(values, slope, length_s, low, share):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """A channel's value a share of the way from sample `low` to the next, by the cubic of values and slopes there."""
    rise = values[low + 1] - values[low]
    start, end = slope[low] * length_s[low], slope[low + 1] * length_s[low]
    bend = start + end - _TWO * rise
    return values[low] + share * (start + share * (rise - start - bend + share * bend))


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
