"""The closure budget: how much the wrist's bend and the forearm's roll turn the club about its own shaft, and when.

The club is a rigid extension of the lead hand; ``k = k0 - D ulnar`` is the angle from the forearm's line to the shaft.
The rate at which the club turns about its shaft, closing positive, is::

    flexion rate * sin(k) - pronation rate * cos(flexion) * cos(k)

It says who turned the face and when. It is never where the face is: the sum depends on the path.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.channels import FLEXION, PRONATION, ULNAR
from faultml.faults.catalogue import parse_position
from faultml.faults.measure import IMPACT_INDEX, TOP_INDEX, grid_index

Array = NDArray[np.float64]

SHAFT_ANGLE_AT_ADDRESS_DEG: Final = 55.0
"""k0, the angle from the forearm's line to the shaft at address: 55 +- 10, common practice, no source."""

PHASES: Final = ("backswing", "downswing", "release")
_RELEASE_END: Final = grid_index(parse_position("f0.30"))
_SPANS: Final = ((0, TOP_INDEX), (TOP_INDEX, IMPACT_INDEX), (IMPACT_INDEX, _RELEASE_END))


@dataclass(frozen=True)
class ClosureBudget:
    """Accumulated rotation of the club about its shaft by phase, closing +, degrees, ``(n_swings, 3)`` each.

    `bend` is the wrist's part, `roll` the forearm's (NaN where forearm rotation was not recorded).
    """

    bend_deg: Array
    roll_deg: Array

    @property
    def total_deg(self) -> Array:
        """Both parts together, ``(n_swings, 3)``."""
        return self.bend_deg + self.roll_deg


def closure_steps(
    angles_deg: Array, d_ulnar_deg: Array, k0_deg: float | Array = SHAFT_ANGLE_AT_ADDRESS_DEG
) -> tuple[Array, Array]:
    """Rotation about the shaft between consecutive samples, by bend and by roll, ``(n_swings, n_samples - 1)`` degrees.

    Parameters
    ----------
    angles_deg
        ``(n_swings, 3, n_samples)`` absolute angles.
    d_ulnar_deg
        ``(n_swings, n_samples)`` ulnar deviation relative to address.
    k0_deg
        Angle from the forearm's line to the shaft at address.
    """
    k = np.deg2rad(k0_deg - _middle(d_ulnar_deg))
    flexion = np.deg2rad(_middle(angles_deg[:, FLEXION]))
    bend = np.diff(angles_deg[:, FLEXION]) * np.sin(k)
    roll = -np.diff(angles_deg[:, PRONATION]) * np.cos(flexion) * np.cos(k)
    return bend, roll


def closure_budget(d_deg: Array, address_deg: Array) -> ClosureBudget:
    """The budget of every swing from its phase curves ``(n_swings, 3, n_phases)`` and address ``(n_swings, 3)``."""
    d_deg = d_deg[:, :, : _RELEASE_END + 1]
    bend, roll = closure_steps(d_deg + address_deg[:, :, None], d_deg[:, ULNAR])
    return ClosureBudget(
        bend_deg=np.column_stack([bend[:, first:last].sum(axis=1) for first, last in _SPANS]),
        roll_deg=np.column_stack([roll[:, first:last].sum(axis=1) for first, last in _SPANS]),
    )


def _middle(values: Array) -> Array:
    return (values[..., 1:] + values[..., :-1]) / 2
