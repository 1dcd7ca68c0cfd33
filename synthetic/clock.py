"""The common clock of all true motion: 500 Hz, takeaway at 0 s."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.faults.measure import phase_times
from faultml.synthetic.shapes import smooth_step

Array = NDArray[np.float64]

RATE_HZ: Final = 500.0
LEAD_S: Final = 3.0
TAIL_S: Final = 5.0
CLOCK_S: Final[Array] = np.arange(-LEAD_S, TAIL_S, 1 / RATE_HZ)
"""Times of every latent curve's samples."""


def clock_index(time_s: float) -> int:
    """The sample nearest to a time."""
    return round((time_s - CLOCK_S[0]) * RATE_HZ)


def at_time(curve: Array, time_s: Array) -> Array:
    """Value of ``(n_swings, n_samples)`` curves on the clock at one time each, ``(n_swings,)``."""
    position = np.clip((time_s - CLOCK_S[0]) * RATE_HZ, 0, len(CLOCK_S) - 2)
    low = position.astype(int)
    rows = np.arange(len(curve))
    return curve[rows, low] + (position - low) * (curve[rows, low + 1] - curve[rows, low])


def sample_phases(d_deg: Array, landmarks_s: Array) -> Array:
    """Curves on `CLOCK_S` read at the phase grid by linear interpolation, ``(n_swings, 3, n_phases)``."""
    position = (phase_times(landmarks_s) - CLOCK_S[0]) * RATE_HZ
    low = np.clip(position.astype(int), 0, len(CLOCK_S) - 2)
    weight = (position - low)[:, None, :]
    index = low[:, None, :]
    return (
        np.take_along_axis(d_deg, index, 2) * (1 - weight) + np.take_along_axis(d_deg, index + 1, 2) * weight
    )


def moving(landmarks_s: Array) -> Array:
    """1 while the swing lasts, smoothly 0 at address and after the finish, ``(n_swings, n_samples)``."""
    takeaway, top, _, finish = landmarks_s.T
    return smooth_step(CLOCK_S[None], takeaway, takeaway + 0.3 * top) - smooth_step(
        CLOCK_S[None], finish - 0.2, finish + 0.1
    )
