"""A swing's curves relative to its own address, on the common grid of phases."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Self

import numpy as np
from numpy.typing import NDArray

from faultml.channels import CHANNELS, LANDMARKS, PRONATION
from faultml.faults.measure import PHASE_GRID, phase_time
from faultml.kernels import kernel
from faultml.motion.landmark_model import Landmarks
from faultml.motion.window import OFFSETS_S, RATE_HZ, Windows

Array = NDArray[np.float64]

END_SLACK_S: Final = 0.005
"""So much after the recording's end a curve is still read."""
_START_S: Final = float(OFFSETS_S[0])


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
        end_s = windows.end_s + END_SLACK_S
        _read(
            windows.angles_deg,
            np.ascontiguousarray(offset_s),
            address_deg,
            end_s,
            windows.has_pronation,
            d_deg,
        )
        return cls(d_deg, address_deg, offset_s)

    def shifted(self, windows: Windows, landmark: str, by_s: Array) -> Self:
        """The same swings as they would read with one landmark moved by ``(n_swings,)`` seconds."""
        offset_s = self.offset_s.copy()
        offset_s[:, LANDMARKS.index(landmark)] += by_s
        return replace(self, **vars(self._at(windows, offset_s, self.address_deg)))


@kernel
def read_curve(angles, takeaway, top, impact, address, end_s, forearm, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled  # fmt: skip
    """One swing's curves relative to address between two places of the grid, into ``(3, n_phases)``.

    NaN after the recording's end and where forearm rotation was not recorded.
    """
    count = angles.shape[1]
    for q in range(first, last):
        time = phase_time(takeaway, top, impact, PHASE_GRID[q])
        at = min(max((time - _START_S) * RATE_HZ, 0.0), count - 1.0)
        low = np.uint32(min(int(at), count - 2))
        share = at - low
        for c in range(3):
            if time <= end_s and (forearm or c != PRONATION):
                out[c, q] = angles[c, low] * (1.0 - share) + angles[c, low + 1] * share - address[c]
            else:
                out[c, q] = np.nan


@kernel
def _read(angles, offset_s, address, end_s, forearm, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for row in range(len(angles)):
        takeaway, top, impact = offset_s[row, 0], offset_s[row, 1], offset_s[row, 2]
        read_curve(
            angles[row],
            takeaway,
            top,
            impact,
            address[row],
            end_s[row],
            forearm[row],
            0,
            out.shape[2],
            out[row],
        )


__all__ = ["PHASE_GRID", "Curves"]
