"""Smooth building blocks of joint curves over time: steps, bumps, release profiles, and re-interpolation.

All take ``(n_swings, ...)`` arrays and work on whole batches. Every step and bump has a continuous second derivative.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Array = NDArray[np.float64]


def smooth_step(t_s: Array, start_s: Array, end_s: Array, skew: Array | None = None) -> Array:
    """0 before `start_s`, 1 after `end_s`, a quintic between, ``(n_swings, n_samples)``.

    `skew` above 1 moves the fastest moment later, below 1 (through the mirrored form) earlier.
    """
    span = np.maximum(end_s - start_s, 1e-3)[:, None]
    s = np.clip((t_s - start_s[:, None]) / span, 0, 1)
    if skew is not None:
        late = (skew >= 1)[:, None]
        s = np.where(late, s, 1 - s) ** np.where(late, skew[:, None], 1 / skew[:, None])
        s = np.where(late, s, 1 - s)
    return s * s * s * (10 - 15 * s + 6 * s * s)


def bump(t_s: Array, onset_s: Array, peak_s: Array, hold_s: Array, recovery_s: Array) -> Array:
    """0, up to 1 from onset to peak, held, and down to 0 at recovery, ``(n_swings, n_samples)``."""
    return smooth_step(t_s, onset_s, peak_s) - smooth_step(t_s, hold_s, recovery_s)


def release_profile(t_s: Array, peak_s: Array, rise_s: Array, fall_s: Array) -> Array:
    """How much of a release is done, 0 to 1: the integral of a two-sided bell of speed, ``(n_swings, n_samples)``.

    The speed is greatest at `peak_s`, with a spread of `rise_s` before and `fall_s` after it.
    """
    lead = (2 * rise_s / (rise_s + fall_s))[:, None]
    rise, fall, peak = rise_s[:, None], fall_s[:, None], peak_s[:, None]
    before = lead * ndtr((t_s - peak) / rise)
    after = lead / 2 + (2 - lead) * (ndtr((t_s - peak) / fall) - 0.5)
    return np.where(t_s < peak, before, after)


def power_release(t_s: Array, start_s: Array, end_s: Array, power: Array) -> Array:
    """How much of a release is done when its speed grows to the end like a power, then stops smoothly.

    1 at `end_s`; past it the motion runs on for a few hundredths of a second, ``(n_swings, n_samples)``.
    """
    start, end, power = start_s[:, None], end_s[:, None], power[:, None]
    span = np.maximum(end - start, 0.02)
    rising = np.clip((t_s - start) / span, 0, 1) ** power
    stop = 0.03
    beyond = np.clip((t_s - end) / stop, 0, None)
    return rising + (power / span) * stop * (1 - np.exp(-beyond))


def wobble(
    t_s: Array, amplitude: Array, random: np.random.Generator, lowest_hz: float, highest_hz: float
) -> Array:
    """Three sinusoids of random frequency and phase for each curve, ``(n_swings, n_channels, n_samples)``.

    `t_s` is ``(n_samples,)`` with a constant step, `amplitude` ``(n_swings, n_channels)`` in whatever unit the result
    shall have.
    """
    shape = (*amplitude.shape, 1)
    step_s, stride = t_s[1] - t_s[0], 64
    coarse_s = t_s[0] + step_s * stride * np.arange(-(-len(t_s) // stride))
    fine_s = step_s * np.arange(stride)
    total = np.zeros((*amplitude.shape, len(coarse_s), stride))
    for _ in range(3):
        turn = 2j * np.pi * random.uniform(lowest_hz, highest_hz, shape)
        start = random.uniform(0, 2 * np.pi, shape)
        weight = random.normal(0, 0.6, shape) * amplitude[:, :, None]
        # sin(a + b) from few sines: a steps coarsely, b finely.
        coarse, fine = weight * np.exp(turn * coarse_s + 1j * start), np.exp(turn * fine_s)
        total += (
            coarse.imag[..., None] * fine.real[..., None, :]
            + coarse.real[..., None] * fine.imag[..., None, :]
        )
    return total.reshape(*amplitude.shape, -1)[..., : len(t_s)]


def gaussian_smooth(curves: Array, width_samples: Array) -> Array:
    """Low-pass ``(n_swings, n_channels, n_samples)`` curves by a Gaussian of ``(n_swings,)`` SD in samples."""
    count = curves.shape[-1]
    pad = 64
    padded = np.pad(curves, ((0, 0), (0, 0), (pad, pad)), mode="edge")
    frequency = np.fft.rfftfreq(count + 2 * pad)
    gain = np.exp(-0.5 * (2 * np.pi * frequency[None, :] * width_samples[:, None]) ** 2)
    smoothed = np.fft.irfft(np.fft.rfft(padded) * gain[:, None, :], n=count + 2 * pad)
    return smoothed[..., pad:-pad]


def through_knots(t_s: Array, curves: Array, knots_s: Array, natural: NDArray[np.bool_]) -> Array:
    """Curves redrawn through their own values at a few knots.

    A natural cubic spline where `natural`, else the monotone cubic (to be smoothed by the caller).

    Parameters
    ----------
    t_s
        ``(n_samples,)`` common times.
    curves
        ``(n_swings, n_channels, n_samples)``.
    knots_s
        ``(n_swings, n_knots)`` increasing; before the first and after the last knot the curve stays as it is.
    natural
        ``(n_swings,)``.
    """
    step_s = t_s[1] - t_s[0]
    # Knots keep at least two samples apart, in order, whatever their jitter did.
    spacing = 2 * np.arange(knots_s.shape[1])
    at = np.clip(np.rint((knots_s - t_s[0]) / step_s).astype(int), 0, len(t_s) - 1)
    at = np.minimum(np.maximum.accumulate(at - spacing, axis=1), len(t_s) - 1 - spacing[-1]) + spacing
    x = t_s[at]
    y = np.take_along_axis(curves, at[:, None, :], axis=2)
    slopes = np.where(natural[:, None, None], _spline_slopes(x, y), _monotone_slopes(x, y))

    started = np.zeros((len(x), len(t_s)), dtype=np.int64)
    np.add.at(started, (np.arange(len(x))[:, None], at), 1)
    interval = np.clip(np.cumsum(started, axis=1) - 1, 0, x.shape[1] - 2)
    x0, x1 = (np.take_along_axis(x, interval + k, axis=1) for k in (0, 1))
    width = x1 - x0
    s = ((t_s[None, :] - x0) / width)[:, None, :]
    index = interval[:, None, :]
    y0, y1 = (np.take_along_axis(y, index + k, axis=2) for k in (0, 1))
    m0, m1 = (np.take_along_axis(slopes, index + k, axis=2) * width[:, None, :] for k in (0, 1))
    redrawn = y0 + s * (m0 + s * (3 * (y1 - y0) - 2 * m0 - m1 + s * (m0 + m1 - 2 * (y1 - y0))))
    inside = (t_s[None, :] >= x[:, :1]) & (t_s[None, :] < x[:, -1:])
    return np.where(inside[:, None, :], redrawn, curves)


def _monotone_slopes(x: Array, y: Array) -> Array:
    """Fritsch-Carlson slopes (harmonic means), zero at the ends."""
    h = np.diff(x)[:, None, :]
    secant = np.diff(y) / h
    left, right = secant[..., :-1], secant[..., 1:]
    w1, w2 = 2 * h[..., 1:] + h[..., :-1], h[..., 1:] + 2 * h[..., :-1]
    with np.errstate(divide="ignore", invalid="ignore"):
        inner = (w1 + w2) / (w1 / left + w2 / right)
    slopes = np.zeros_like(y)
    slopes[..., 1:-1] = np.where(left * right > 0, inner, 0)
    return slopes


def _spline_slopes(x: Array, y: Array) -> Array:
    """Slopes of the cubic spline that is flat at both ends, for all swings in one solve."""
    n_swings, n_knots = x.shape
    h = np.diff(x)
    system = np.zeros((n_swings, n_knots, n_knots))
    inner = np.arange(1, n_knots - 1)
    system[:, inner, inner - 1] = h[:, 1:]
    system[:, inner, inner] = 2 * (h[:, :-1] + h[:, 1:])
    system[:, inner, inner + 1] = h[:, :-1]
    system[:, 0, 0] = system[:, -1, -1] = 1
    secant = np.diff(y) / h[:, None, :]
    target = np.zeros_like(y)
    target[..., 1:-1] = 3 * (h[:, None, 1:] * secant[..., :-1] + h[:, None, :-1] * secant[..., 1:])
    slopes: Array = np.linalg.solve(system[:, None], target[..., None])[..., 0].astype(np.float64)
    return slopes
