"""The kernel behind `window`: ragged samples onto an even clock, smoothed, with their rates, in one pass a swing."""

from __future__ import annotations

from typing import Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from faultml.motion.resample import cubics, known

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
    reach = len(weights) // 2
    for q in range(len(out)):
        # From the rims inwards, both sides at once: the weights are symmetric.
        total = weights[reach] * padded[q + reach]
        for k in range(reach):
            total += weights[k] * (padded[q + k] + padded[q + 2 * reach - k])
        out[q] = total


@njit(cache=True, nogil=True)
def _even(t_s, values, n_samples, anchor_s, offsets_s, light, more, rate_hz, angles, rates):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    n_swings, n_channels, _ = values.shape
    count = len(offsets_s)
    margin = len(light) // 2 + len(more) // 2
    # Beyond the ends of the clock the curve is mirrored, beyond those of the recording its last values are held.
    raw = np.empty((n_channels, count + 2 * margin))
    once = np.empty(count + 2 * (len(more) // 2))
    twice = np.empty(count)
    parts = np.empty((n_channels, 4))
    for row in range(n_swings):
        length = n_samples[row]
        if length < 2:
            angles[row] = 0.0
            rates[row] = 0.0
            continue
        first, last = t_s[row, 0], t_s[row, length - 1]
        low, read, per_s = 0, -1, 0.0
        for q in range(count):
            time = anchor_s[row] + offsets_s[q]
            if time <= first or time >= last:
                held = 0 if time <= first else length - 1
                for c in range(n_channels):
                    raw[c, q + margin] = known(values[row, c, held])
                continue
            while low < length - 2 and t_s[row, low + 1] <= time:
                low += 1
            if low != read:
                per_s = 1.0 / cubics(t_s, values, row, length, low, parts)
                read = low
            s = (time - t_s[row, low]) * per_s
            for c in range(n_channels):
                bend = parts[c, 2] + s * parts[c, 3]
                raw[c, q + margin] = parts[c, 0] + s * (parts[c, 1] + s * bend)
        for c in range(n_channels):
            for k in range(margin):
                raw[c, margin - 1 - k] = raw[c, margin + k]
                raw[c, margin + count + k] = raw[c, margin + count - 1 - k]
            _smooth(raw[c], light, once)
            reach = len(more) // 2
            angles[row, c] = once[reach : reach + count]
            _smooth(once, more, twice)
            rates[row, c, 0] = (twice[1] - twice[0]) * rate_hz
            rates[row, c, count - 1] = (twice[count - 1] - twice[count - 2]) * rate_hz
            for q in range(1, count - 1):
                rates[row, c, q] = (twice[q + 1] - twice[q - 1]) * (0.5 * rate_hz)


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
    n_swings, n_channels, _ = values.shape
    margin = len(weights) // 2
    parts = np.empty((n_channels, 4))
    for row in range(n_swings):
        length = n_samples[row]
        out[row] = t_s[row, 0] if length else 0.0
        if length < 2:
            continue
        first, last = t_s[row, 0], t_s[row, length - 1]
        count = int((last - first) * hz) + 2 + reach
        coarse = np.empty((n_channels, count + 2 * margin))
        low, read, per_s = 0, -1, 0.0
        for q in range(count):
            time = min(first + q / hz, last)
            while low < length - 2 and t_s[row, low + 1] <= time:
                low += 1
            if low != read:
                per_s = 1.0 / cubics(t_s, values, row, length, low, parts)
                read = low
            s = (time - t_s[row, low]) * per_s
            for c in range(n_channels):
                bend = parts[c, 2] + s * parts[c, 3]
                coarse[c, q + margin] = parts[c, 0] + s * (parts[c, 1] + s * bend)
        speed = np.zeros(count - 1)
        smooth = np.empty(count)
        for c in range(n_channels):
            for k in range(margin):
                coarse[c, margin - 1 - k] = coarse[c, margin + k]
                coarse[c, margin + count + k] = coarse[c, margin + count - 1 - k]
            _smooth(coarse[c], weights, smooth)
            for q in range(count - 1):
                speed[q] += (smooth[q + 1] - smooth[q]) ** 2
        best, at = -1.0, 0
        for q in range(count - 1):
            path = 0.0
            for k in range(max(q - reach, 0), min(q + reach + 1, count - 1)):
                path += np.sqrt(speed[k])
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
