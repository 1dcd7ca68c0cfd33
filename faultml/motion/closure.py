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
from faultml.kernels import kernel

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
    bend, roll = np.empty((len(d_deg), len(PHASES))), np.empty((len(d_deg), len(PHASES)))
    room = np.empty((len(d_deg), len(PHASES)))
    _budgets(np.ascontiguousarray(d_deg), np.ascontiguousarray(address_deg), bend, roll, room)
    return ClosureBudget(bend, roll)


@kernel
def _sine(angle):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """The sine by its series after a whole number of half turns is taken off, to 1e-11; many at once."""
    turns = np.floor(angle * (1 / np.pi) + 0.5)
    x = angle - turns * np.pi
    square = x * x
    series = 1 / 6227020800 - square * (1 / 1307674368000)
    series = -1 / 39916800 + square * series
    series = 1 / 362880 + square * series
    series = -1 / 5040 + square * series
    series = 1 / 120 + square * series
    series = -1 / 6 + square * series
    sine = x + x * square * series
    return sine * (1 - 2 * (turns - 2 * np.floor(turns * 0.5)))


@kernel
def closure_sums(d_deg, flexion_at_address, k0_deg, regrip_deg, bend, roll, other_bend, other_roll):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled  # fmt: skip
    """`closure_steps` of one swing's curves added up by phase, and the same with a wider angle k by `regrip_deg`."""
    flexion, ulnar, pronation = d_deg[FLEXION], d_deg[ULNAR], d_deg[PRONATION]
    count, rad = _RELEASE_END, np.pi / 180
    sine, cosine, level = np.empty(count), np.empty(count), np.empty(count)
    for q in range(count):
        k = (k0_deg - 0.5 * (ulnar[q] + ulnar[q + 1])) * rad
        sine[q] = _sine(k)
        cosine[q] = _sine(k + 0.5 * np.pi)
        level[q] = _sine((0.5 * (flexion[q] + flexion[q + 1]) + flexion_at_address) * rad + 0.5 * np.pi)
    for q in range(count):
        level[q] = level[q] * (pronation[q] - pronation[q + 1])
    turn_sine, turn_cosine = np.sin(regrip_deg * rad), np.cos(regrip_deg * rad)
    for phase in range(3):
        with_sine = with_cosine = roll_sine = roll_cosine = 0.0
        for q in range(_SPANS[phase][0], _SPANS[phase][1]):
            step = flexion[q + 1] - flexion[q]
            with_sine += step * sine[q]
            with_cosine += step * cosine[q]
            roll_sine += level[q] * sine[q]
            roll_cosine += level[q] * cosine[q]
        bend[phase], roll[phase] = with_sine, roll_cosine
        other_bend[phase] = with_sine * turn_cosine + with_cosine * turn_sine
        other_roll[phase] = roll_cosine * turn_cosine - roll_sine * turn_sine


@kernel
def _budgets(d_deg, address_deg, bend, roll, room):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for row in range(len(d_deg)):
        flexion = address_deg[row, FLEXION]
        k0 = SHAFT_ANGLE_AT_ADDRESS_DEG
        closure_sums(d_deg[row], flexion, k0, 0.0, bend[row], roll[row], room[row], room[row])


def _middle(values: Array) -> Array:
    return (values[..., 1:] + values[..., :-1]) / 2
