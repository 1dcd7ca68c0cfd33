"""The kernel behind `window`: ragged samples onto an even clock, smoothed, with their rates, in one pass a swing."""

from __future__ import annotations

from typing import Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from faultml.motion.resample import along, cubics, known, slope_weights

Array = NDArray[np.float64]

_COARSE_HZ: Final = 50.0
_COARSE_SD: Final = 1.0
_PATH_SAMPLES: Final = 5

ROUGHEST_DEG: Final = 20.0
"""A second difference counts as no more than this: a jump is no noise."""


def gaussian_weights(sd_samples: float) -> Array:
    """Weights of a Gaussian smoother out to four standard deviations, summing to 1."""
    reach = int(4 * sd_samples + 0.5)
    weights = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sd_samples) ** 2)
    return weights / weights.sum()


@njit(cache=True, nogil=True)
def _smooth(padded, weights, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Smooth a curve that has half a kernel of margin on both sides."""
    reach, count = len(weights) // 2, len(out)
    # Weight by weight over the whole curve, so that the processor does many samples at once; from the rims inwards and
    # both sides at once: the weights are symmetric.
    middle, inner = weights[reach], padded[reach : reach + count]
    for q in range(count):
        out[q] = middle * inner[q]
    for k in range(reach):
        weight, before = weights[k], padded[k : k + count]
        after = padded[2 * reach - k : 2 * reach - k + count]
        for q in range(count):
            out[q] += weight * (before[q] + after[q])


@njit(cache=True, nogil=True)
def _mirror(padded, margin):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Fill both margins of a curve with what lies inside them."""
    stop = len(padded) - margin
    for k in range(margin):
        padded[margin - 1 - k] = padded[margin + k]
        padded[stop + k] = padded[stop - 1 - k]


@njit(cache=True, nogil=True)
def _even(t_s, values, n_samples, anchor_s, offsets_s, light, more, rate_hz, angles, rates):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    n_swings, n_channels, longest = values.shape
    count = len(offsets_s)
    reach = len(more) // 2
    margin = len(light) // 2 + reach
    # Beyond the ends of the clock the curve is mirrored, beyond those of the recording its last values are held.
    padded = np.empty(count + 2 * margin)
    raw = padded[margin : margin + count]
    once = np.empty(count + 2 * reach)
    twice = np.empty(count)
    place, share = np.empty(count, dtype=np.int64), np.empty(count)
    weights, parts, known_values = np.empty((5, longest)), np.empty((3, longest)), np.empty(longest)
    for row in range(n_swings):
        length = n_samples[row]
        if length < 2:
            angles[row] = 0.0
            rates[row] = 0.0
            continue
        clock = t_s[row, :length]
        slope_weights(clock, weights)
        first, last = clock[0], clock[length - 1]
        start = 0
        while start < count and anchor_s[row] + offsets_s[start] <= first:
            start += 1
        stop, low = start, 0
        while stop < count and anchor_s[row] + offsets_s[stop] < last:
            time = anchor_s[row] + offsets_s[stop]
            while low < length - 2 and clock[low + 1] <= time:
                low += 1
            place[stop] = low
            share[stop] = (time - clock[low]) * (1.0 / weights[0, low])
            stop += 1
        for c in range(n_channels):
            for k in range(length):
                known_values[k] = known(values[row, c, k])
            cubics(known_values[:length], weights, parts)
            raw[:start] = known_values[0]
            for q in range(start, stop):
                raw[q] = along(known_values, parts, place[q], share[q])
            raw[stop:] = known_values[length - 1]
            _mirror(padded, margin)
            _smooth(padded, light, once)
            angles[row, c] = once[reach : reach + count]
            _smooth(once, more, twice)
            _differences(twice, rate_hz, rates[row, c])


@njit(cache=True, nogil=True)
def _differences(curve, rate_hz, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Central differences, one-sided at the ends."""
    count, half = len(curve), 0.5 * rate_hz
    out[0] = (curve[1] - curve[0]) * rate_hz
    out[count - 1] = (curve[count - 1] - curve[count - 2]) * rate_hz
    inner, later = out[1 : count - 1], curve[2:]
    for q in range(count - 2):
        inner[q] = (later[q] - curve[q]) * half


def on_even_clock(
    t_s: Array,
    values: Array,
    n_samples: NDArray[np.int64],
    anchor_s: Array,
    offsets_s: Array,
    *,
    smooth_samples: float,
    rate_smooth_samples: float,
) -> tuple[Array, Array]:
    """Smoothed values and their rates at even `offsets_s` about each anchor.

    Both are ``(n_swings, n_channels, n_offsets)``. Beyond a recording's ends its last values are held; lost values are
    0; a swing of fewer than two samples is all 0. Rates are central differences of the values smoothed once more.
    """
    angles = np.empty((values.shape[0], values.shape[1], len(offsets_s)))
    rates = np.empty_like(angles)
    _even(
        np.ascontiguousarray(t_s, dtype=np.float64),
        np.ascontiguousarray(values, dtype=np.float64),
        np.ascontiguousarray(n_samples, dtype=np.int64),
        np.ascontiguousarray(anchor_s, dtype=np.float64),
        offsets_s,
        gaussian_weights(smooth_samples),
        gaussian_weights(rate_smooth_samples),
        (len(offsets_s) - 1) / (offsets_s[-1] - offsets_s[0]),
        angles,
        rates,
    )
    return angles, rates


@njit(cache=True, nogil=True)
def _fastest(t_s, values, n_samples, hz, weights, reach, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    n_swings, n_channels, longest = values.shape
    margin = len(weights) // 2
    intervals, parts, known_values = np.empty((5, longest)), np.empty((3, longest)), np.empty(longest)
    for row in range(n_swings):
        length = n_samples[row]
        out[row] = t_s[row, 0] if length else 0.0
        if length < 2:
            continue
        clock = t_s[row, :length]
        slope_weights(clock, intervals)
        first, last = clock[0], clock[length - 1]
        count = int((last - first) * hz) + 2 + reach
        place, share = np.empty(count, dtype=np.int64), np.empty(count)
        low = 0
        for q in range(count):
            time = min(first + q / hz, last)
            while low < length - 2 and clock[low + 1] <= time:
                low += 1
            place[q] = low
            share[q] = (time - clock[low]) * (1.0 / intervals[0, low])
        coarse = np.empty(count + 2 * margin)
        speed = np.zeros(count - 1)
        smooth = np.empty(count)
        for c in range(n_channels):
            for k in range(length):
                known_values[k] = known(values[row, c, k])
            cubics(known_values[:length], intervals, parts)
            for q in range(count):
                coarse[q + margin] = along(known_values, parts, place[q], share[q])
            _mirror(coarse, margin)
            _smooth(coarse, weights, smooth)
            for q in range(count - 1):
                speed[q] += (smooth[q + 1] - smooth[q]) ** 2
        for q in range(count - 1):
            speed[q] = np.sqrt(speed[q])
        best, at = -1.0, 0
        for q in range(count - 1):
            path = 0.0
            for k in range(max(q - reach, 0), min(q + reach + 1, count - 1)):
                path += speed[k]
            if path > best * (1 + 1e-12):
                best, at = path, q
        out[row] = first + (at + 0.5) / hz


def fastest_moment(t_s: Array, values: Array, n_samples: NDArray[np.int64]) -> Array:
    """``(n_swings,)`` the moment about which all channels change most within a tenth of a second."""
    out = np.zeros(len(t_s))
    if values.shape[2]:
        _fastest(
            np.ascontiguousarray(t_s, dtype=np.float64),
            np.ascontiguousarray(values, dtype=np.float64),
            np.asarray(n_samples, dtype=np.int64),
            _COARSE_HZ,
            gaussian_weights(_COARSE_SD),
            _PATH_SAMPLES // 2,
            out,
        )
    return out


@njit(cache=True, nogil=True)
def _roughness(values, n_samples, most, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for row in range(values.shape[0]):
        for c in range(values.shape[1]):
            total = 0.0
            for k in range(n_samples[row] - 2):
                bend = (
                    known(values[row, c, k]) - 2 * known(values[row, c, k + 1]) + known(values[row, c, k + 2])
                )
                total += min(abs(bend), most)
            out[row, c] = total / max(n_samples[row] - 2, 1)


def roughness(values: Array, n_samples: NDArray[np.int64]) -> Array:
    """``(n_swings, n_channels)`` mean size of the second differences of a swing's samples."""
    out = np.empty(values.shape[:2])
    _roughness(np.ascontiguousarray(values), np.asarray(n_samples, dtype=np.int64), ROUGHEST_DEG, out)
    return out
