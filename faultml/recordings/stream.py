"""A long recording, block by block."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray


class Block(NamedTuple):
    """A stretch of a recording that is longer than one swing.

    Attributes
    ----------
    t_s
        ``(n,)`` sample times, on the recording's own clock.
    angles_deg
        ``(3, n)`` in the order of `faultml.channels.CHANNELS`; NaN where lost or not recorded.
    marks_s
        ``(k,)`` contacts that the recorder marked within this stretch, on the clock of `t_s`; may be empty.
    sensed
        ``(n_axes, n)`` accelerations (m/s2) or angular rates (deg/s) of the sensor, NaN where lost; None where they
        are not recorded, in every block of a recording or in none.
    """

    t_s: NDArray[np.float64]
    angles_deg: NDArray[np.float64]
    marks_s: NDArray[np.float64]
    sensed: NDArray[np.float64] | None = None
