"""A swing's curves relative to its own address, on the common grid of phases."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Self

import numpy as np
from numpy.typing import NDArray

from faultml.channels import LANDMARKS, PRONATION
from faultml.faults.measure import PHASE_GRID, phase_times
from faultml.motion.landmarks import Landmarks
from faultml.motion.window import Windows

Array = NDArray[np.float64]

_END_SLACK_S: Final = 0.005


@dataclass(frozen=True)
class Curves:
    """Curves of a batch.

    Attributes
    ----------
    d_deg
        ``(n_swings, 3, n_phases)`` degrees relative to address on `PHASE_GRID`; NaN after the recording's end and
        where forearm rotation was not recorded.
    address_deg
        ``(n_swings, 3)`` absolute angles at address: the median over the last 0.3 s before the takeaway.
    offset_s
        ``(n_swings, 4)`` landmark times relative to the anchor.
    """

    d_deg: Array
    address_deg: Array
    offset_s: Array

    @classmethod
    def read(cls, windows: Windows, landmarks: Landmarks) -> Self:
        """Curves at the given landmarks."""
        return cls._at(windows, landmarks.offset_s, windows.address_at(landmarks.offset_s[:, 0]))

    @classmethod
    def _at(cls, windows: Windows, offset_s: Array, address_deg: Array) -> Self:
        times = phase_times(offset_s)
        d_deg = windows.angles_at(times) - address_deg[:, :, None]
        d_deg = np.where((times <= windows.end_s[:, None] + _END_SLACK_S)[:, None, :], d_deg, np.nan)
        d_deg[~windows.has_pronation, PRONATION] = np.nan
        return cls(d_deg, address_deg, offset_s)

    def shifted(self, windows: Windows, landmark: str, by_s: Array) -> Self:
        """The same swings as they would read with one landmark moved by ``(n_swings,)`` seconds."""
        offset_s = self.offset_s.copy()
        offset_s[:, LANDMARKS.index(landmark)] += by_s
        return replace(self, **vars(self._at(windows, offset_s, self.address_deg)))


__all__ = ["PHASE_GRID", "Curves"]
