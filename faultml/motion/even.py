"""The kernel behind `window`: ragged samples onto an even clock, smoothed, with their rates, in one pass a swing."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from faultml.kernels import kernel
from faultml.motion.resample import along, intervals, known, slopes

Array = NDArray[np.float64]
Single = NDArray[np.float32]

_COARSE_HZ: Final = 50.0
_COARSE_SD: Final = 1.0
_PATH_REACH: Final = 2
_TIE: Final = 1e-5
"""A later moment counts as faster only by more than this share: single precision knows no smaller ones."""

ROUGHEST_DEG: Final = 20.0
"""A second difference counts as no more than this: a jump is no noise."""


class EvenClock(NamedTuple):
    """Swings on an even clock.

    Attributes
    ----------
    anchor_s
        ``(n_swings,)`` the moment about which all channels change most within a tenth of a second, on the recording's
        clock.
    values, rates
        ``(n_swings, n_channels, n_offsets)`` float32: smoothed values about each anchor, and their rates of change.
    roughness
        ``(n_swings, n_channels)`` mean size of the second differences of a swing's samples.
    """

    anchor_s: Array
    values: Single
    rates: Single
    roughness: Array


def gaussian_weights(sd_samples: float) -> Single:
    """Weights of a Gaussian smoother out to four standard deviations, summing to 1."""
    reach = int(4 * sd_samples + 0.5)
    weights = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sd_samples) ** 2)
    return (weights / weights.sum()).astype(np.float32)


@kernel
def _smooth(padded, weights, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Smooth a curve that has half a kernel of margin on both sides; the weights reach an even number out."""
    reach, count = len(weights) // 2, len(out)
    # Weight by weight over the whole curve, so that the processor does many samples at once; from the rims inwards and
    # both sides at once: the weights are symmetric.
    middle, inner = weights[reach], padded[reach : reach + count]
    for q in range(count):
        out[q] = middle * inner[q]
    # Two weights at once: half as often is the curve put down and taken up.
    for k in range(0, reach, 2):
        outer, nearer = weights[k], weights[k + 1]
        a, b = padded[k : k + count], padded[k + 1 : k + 1 + count]
        c, d = (
            padded[2 * reach - k - 1 : 2 * reach - k - 1 + count],
            padded[2 * reach - k : 2 * reach - k + count],
        )
        for q in range(count):
            out[q] = out[q] + outer * (a[q] + d[q]) + nearer * (b[q] + c[q])


@kernel
def _mirror(padded, margin):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Fill both margins of a curve with what lies inside them."""
    stop = len(padded) - margin
    for k in range(margin):
        padded[margin - 1 - k] = padded[margin + k]
        padded[stop + k] = padded[stop - 1 - k]


@kernel
def _differences(curve, half_rate, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Central differences, one-sided at the ends."""
    count = len(curve)
    out[0] = (curve[1] - curve[0]) * (half_rate + half_rate)
    out[count - 1] = (curve[count - 1] - curve[count - 2]) * (half_rate + half_rate)
    inner, later = out[1 : count - 1], curve[2:]
    for q in range(count - 2):
        inner[q] = (later[q] - curve[q]) * half_rate


@kernel
def _places(clock, by, times, place, share):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Between which samples rising times lie, and how far along, as `along` takes them."""
    low, last = 0, len(clock) - 2
    for q in range(len(times)):
        time = times[q]
        while low < last and clock[low + 1] <= time:
            low += 1
        place[q] = low
        share[q] = (time - clock[low]) * by[low]


@kernel
def _fastest(clock, length_s, by, values, slope, weights):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """The moment about which a swing's channels change most."""
    first, last = clock[0], clock[len(clock) - 1]
    hz, reach = _COARSE_HZ, _PATH_REACH
    count, margin = int((last - first) * hz) + 2 + reach, len(weights) // 2
    times = np.empty(count)
    for q in range(count):
        times[q] = min(first + q / hz, last)
    place, share = np.empty(count, dtype=np.uint32), np.empty(count, dtype=np.float32)
    _places(clock, by, times, place, share)
    coarse, smooth = np.empty(count + 2 * margin, dtype=np.float32), np.empty(count, dtype=np.float32)
    speed = np.zeros(count - 1, dtype=np.float32)
    for c in range(values.shape[0]):
        curve, own, own_slope = coarse[margin : margin + count], values[c], slope[c]
        for q in range(count):
            curve[q] = along(own, own_slope, length_s, place[q], share[q])
        _mirror(coarse, margin)
        _smooth(coarse, weights, smooth)
        for q in range(count - 1):
            step = smooth[q + 1] - smooth[q]
            speed[q] += step * step
    for q in range(count - 1):
        speed[q] = np.sqrt(speed[q])
    best, at = -1.0, 0
    for q in range(count - 1):
        path = 0.0
        for k in range(max(q - reach, 0), min(q + reach + 1, count - 1)):
            path += speed[k]
        if path > best * (1 + _TIE):
            best, at = path, q
    return first + (at + 0.5) / hz


@kernel
def _rough(values):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Mean size of a channel's second differences."""
    total, count = 0.0, len(values) - 2
    for k in range(count):
        bend = abs(np.float64(values[k]) - 2.0 * values[k + 1] + values[k + 2])
        total += min(bend, ROUGHEST_DEG)
    return total / max(count, 1)


@kernel
def _even(t_s, samples, n_samples, offsets_s, light, more, half_rate, coarse, anchor_s, out, rates, rough):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled  # fmt: skip
    n_swings, n_channels, longest = samples.shape
    count, inner = len(offsets_s), len(more) // 2
    margin = len(light) // 2 + inner
    # Beyond the ends of the clock the curve is mirrored, beyond those of the recording its last values are held.
    padded = np.empty(count + 2 * margin, dtype=np.float32)
    raw = padded[margin : margin + count]
    once, twice = np.empty(count + 2 * inner, dtype=np.float32), np.empty(count, dtype=np.float32)
    place, share = np.empty(count, dtype=np.uint32), np.empty(count, dtype=np.float32)
    times, clock_parts = np.empty(count), np.empty((4, longest), dtype=np.float32)
    length_s, by, before, after = clock_parts[0], clock_parts[1], clock_parts[2], clock_parts[3]
    values = np.empty((n_channels, longest), dtype=np.float32)
    slope = np.empty((n_channels, longest), dtype=np.float32)
    for row in range(n_swings):
        length = n_samples[row]
        rough[row] = 0.0
        if length < 2:
            anchor_s[row] = t_s[row, 0] if length else 0.0
            out[row] = 0.0
            rates[row] = 0.0
            continue
        clock = t_s[row][:length]
        intervals(clock, length_s, by, before, after)
        for c in range(n_channels):
            own, sampled = values[c][:length], samples[row, c]
            for k in range(length):
                own[k] = known(sampled[k])
            rough[row, c] = _rough(own)
            slopes(own, before, after, slope[c])
        anchor_s[row] = anchor = _fastest(clock, length_s, by, values, slope, coarse)
        start, stop = _within(anchor, offsets_s, clock[0], clock[length - 1])
        for q in range(start, stop):
            times[q] = anchor + offsets_s[q]
        _places(clock, by, times[start:stop], place[start:stop], share[start:stop])
        for c in range(n_channels):
            own, own_slope = values[c], slope[c]
            raw[:start] = own[0]
            for q in range(start, stop):
                raw[q] = along(own, own_slope, length_s, place[q], share[q])
            raw[stop:] = own[length - 1]
            _mirror(padded, margin)
            _smooth(padded, light, once)
            out[row, c] = once[inner : inner + count]
            _smooth(once, more, twice)
            _differences(twice, half_rate, rates[row, c])


@kernel
def _within(anchor, offsets_s, first, last):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """The stretch of an even clock that lies after a recording's first moment and before its last."""
    start = np.searchsorted(offsets_s, first - anchor, side="right")
    return start, max(np.searchsorted(offsets_s, last - anchor, side="left"), start)


def on_even_clock(
    t_s: Array,
    samples: Array,
    n_samples: NDArray[np.int64],
    offsets_s: Array,
    *,
    smooth_samples: float,
    rate_smooth_samples: float,
) -> EvenClock:
    """Smoothed values and their rates at even `offsets_s` about each swing's fastest moment.

    Beyond a recording's ends its last values are held; lost values are 0; a swing of fewer than two samples is all 0.
    Rates are central differences of the values smoothed once more.
    """
    n_swings, n_channels = samples.shape[:2]
    even = EvenClock(
        np.zeros(n_swings),
        np.empty((n_swings, n_channels, len(offsets_s)), dtype=np.float32),
        np.empty((n_swings, n_channels, len(offsets_s)), dtype=np.float32),
        np.empty((n_swings, n_channels)),
    )
    rate_hz = (len(offsets_s) - 1) / (offsets_s[-1] - offsets_s[0])
    _even(
        np.ascontiguousarray(t_s, dtype=np.float64),
        np.ascontiguousarray(samples, dtype=np.float64),
        np.ascontiguousarray(n_samples, dtype=np.int64),
        offsets_s,
        gaussian_weights(smooth_samples),
        gaussian_weights(rate_smooth_samples),
        np.float32(rate_hz / 2),
        gaussian_weights(_COARSE_SD),
        even.anchor_s,
        even.values,
        even.rates,
        even.roughness,
    )
    return even
