"""Is there a still address to judge angles from?"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.motion.landmark_model import Landmarks
from faultml.motion.window import OFFSETS_S, Windows
from faultml.recordings.findings import MotionLimits

Array = NDArray[np.float64]

_ADDRESS_S: Final = 0.30
_READINGS: Final = 13


def no_still_address(
    windows: Windows, landmarks: Landmarks, full: NDArray[np.bool_], limits: MotionLimits
) -> NDArray[np.bool_]:
    """Full swings that move throughout the last 0.3 s before the takeaway, or were not recorded before it."""
    takeaway_s = landmarks.offset_s[:, 0]
    first_s = np.maximum(np.maximum(windows.start_s, OFFSETS_S[0]), takeaway_s - _ADDRESS_S)
    first_s = np.minimum(first_s, takeaway_s)
    readings = windows.angles_at(
        first_s[:, None] + np.linspace(0, 1, _READINGS) * (takeaway_s - first_s)[:, None]
    )
    moves = np.ptp(readings, axis=2).max(axis=1) > limits.address_moves_deg
    return full & (moves | (takeaway_s - windows.start_s < limits.min_address_s))
