"""The same motion through other interpolations, a little out of step: so that nothing can lean on one spline."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.faults.measure import phase_times
from faultml.synthetic.clock import CLOCK_S, RATE_HZ, moving
from faultml.synthetic.shapes import gaussian_smooth, through_knots, wobble

Array = NDArray[np.float64]

_KNOT_PHASES: Final[Array] = np.array(
    [0.0, 0.2, 0.4, 0.6, 0.8, 1.0, 1.2, 1.4, 1.55, 1.7, 1.8, 1.9, 2.0, 2.08, 2.18, 2.3, 2.5, 2.8, 3.4]
)


def redraw(d_deg: Array, landmarks_s: Array, random: np.random.Generator) -> Array:
    """A third each: as it is, a spline and a smoothed monotone cubic through knots; all slightly warped in time."""
    count = len(d_deg)
    family = random.integers(0, 3, count)
    phases = _KNOT_PHASES + random.normal(0, 0.015, (count, len(_KNOT_PHASES)))
    phases[:, [0, 5, 12]] = _KNOT_PHASES[[0, 5, 12]]
    knots_s = phase_times(landmarks_s, phases)
    redrawn = through_knots(CLOCK_S, d_deg, knots_s, family == 1)
    d_deg = np.where((family == 0)[:, None, None], d_deg, redrawn)
    width_s = np.where(family == 2, random.uniform(0.007, 0.016, count), random.uniform(0.003, 0.007, count))
    d_deg = gaussian_smooth(d_deg, width_s * RATE_HZ)
    return _warp(d_deg, landmarks_s, random)


def _warp(d_deg: Array, landmarks_s: Array, random: np.random.Generator) -> Array:
    """Shift each channel's time smoothly by some milliseconds, so that the fastest moments do not stand in line."""
    amplitude_s = np.abs(random.normal(0, 0.006, d_deg.shape[:2]))
    shift = wobble(CLOCK_S, amplitude_s, random, 0.8, 3.0) * moving(landmarks_s)[:, None]
    position = np.clip((CLOCK_S - CLOCK_S[0] + shift) * RATE_HZ, 0, len(CLOCK_S) - 2)
    low = position.astype(int)
    value = np.take_along_axis(d_deg, low, 2)
    return value + (position - low) * (np.take_along_axis(d_deg, low + 1, 2) - value)
