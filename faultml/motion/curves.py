"""A swing's curves relative to its own address, on the common grid of phases."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Self

import numpy as np
from numba import njit
from numpy.typing import NDArray

from faultml.channels import CHANNELS, LANDMARKS, PRONATION
from faultml.faults.measure import PHASE_GRID, phase_times
from faultml.motion.landmarks import Landmarks
from faultml.motion.resample import find_even, read_even
from faultml.motion.window import OFFSETS_S, RATE_HZ, Windows

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
        d_deg = np.empty((len(windows), len(CHANNELS), len(PHASE_GRID)))
        _read(
            windows.angles_deg,
            phase_times(offset_s),
            address_deg,
            windows.end_s + _END_SLACK_S,
            windows.has_pronation,
            d_deg,
        )
        return cls(d_deg, address_deg, offset_s)

    def shifted(self, windows: Windows, landmark: str, by_s: Array) -> Self:
        """The same swings as they would read with one landmark moved by ``(n_swings,)`` seconds."""
        offset_s = self.offset_s.copy()
        offset_s[:, LANDMARKS.index(landmark)] += by_s
        return replace(self, **vars(self._at(windows, offset_s, self.address_deg)))


@njit(cache=True, nogil=True)
def _read(angles, times_s, address, end_s, forearm, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """`Windows.angles_at`, relative to address; NaN after the end and where forearm rotation was not recorded."""
    place, weight = np.empty(times_s.shape[1], dtype=np.int64), np.empty(times_s.shape[1])
    for row in range(len(angles)):
        find_even((times_s[row] - OFFSETS_S[0]) * RATE_HZ, angles.shape[2], place, weight)
        for c in range(angles.shape[1]):
            curve = out[row, c]
            if c == PRONATION and not forearm[row]:
                curve[:] = np.nan
                continue
            read_even(angles[row, c], place, weight, curve)
            for q in range(len(curve)):
                curve[q] = curve[q] - address[row, c] if times_s[row, q] <= end_s[row] else np.nan


__all__ = ["PHASE_GRID", "Curves"]
