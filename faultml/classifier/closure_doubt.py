"""How surely the closure budget is known: landmarks that may lie elsewhere, the grip's angle, and the recorder."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from faultml.channels import FLEXION
from faultml.kernels import kernel
from faultml.motion.closure import PHASES, SHAFT_ANGLE_AT_ADDRESS_DEG, ClosureBudget, closure_sums
from faultml.motion.curves import END_SLACK_S, Curves, read_curve
from faultml.motion.landmark_model import Landmarks
from faultml.motion.window import Windows

Array = NDArray[np.float64]

SHAFT_ANGLE_SD_DEG: Final = 10.0
"""Of the angle from the forearm's line to the shaft at address: common practice, no source."""
RECORDER_BEND_SD_DEG: Final = np.array([3.0, 3.0, 1.5])
"""Of a change of flexion over each phase; what drifts slowly hardly enters the short release. Field errors of 2-6
degrees are plausible (from memory); the generator's recorders err by 3.2, 3.4 and 1.5."""
RECORDER_TOTAL_SD_DEG: Final = 3.0
"""Of bend from address to the release's end: what one phase reads too much, the next reads too little."""
RECORDER_ROLL_SHARE: Final = 0.20
"""Of the roll: skin-mounted sensors under-read forearm rotation by 10-30 % (from memory), by how much is not known."""
_MIN_ROLL_SD_DEG: Final = 1.0


class ClosureSd(NamedTuple):
    """Standard deviations of bend and roll by phase, ``(n_swings, 3)`` each, and of the total, ``(n_swings,)``."""

    bend_deg: Array
    roll_deg: Array
    total_deg: Array


def closure_sd(windows: Windows, landmarks: Landmarks, curves: Curves, budget: ClosureBudget) -> ClosureSd:
    """How surely a budget is known.

    The budget is read again with top and impact one standard deviation later and with another grip angle; the parts
    are taken as independent.
    """
    # Variants by part (bend, roll): another grip angle, a later top, a later impact.
    moved = np.empty((len(windows), 3, 2, len(PHASES)))
    _moved(
        windows.angles_deg,
        curves.offset_s,
        landmarks.sd_s,
        curves.address_deg,
        windows.end_s + END_SLACK_S,
        windows.has_pronation,
        curves.d_deg,
        SHAFT_ANGLE_SD_DEG,
        moved,
    )
    moved[:, :, 0] -= budget.bend_deg[:, None]
    moved[:, :, 1] -= budget.roll_deg[:, None]
    bend = np.sqrt((moved[:, :, 0] ** 2).sum(axis=1) + RECORDER_BEND_SD_DEG**2)
    lost = RECORDER_ROLL_SHARE * budget.roll_deg
    roll = np.sqrt((moved[:, :, 1] ** 2).sum(axis=1) + lost**2 + _MIN_ROLL_SD_DEG**2)
    totals = (moved.sum(axis=(2, 3)) ** 2).sum(axis=1)
    return ClosureSd(bend, roll, np.sqrt(totals + RECORDER_TOTAL_SD_DEG**2 + lost.sum(axis=1) ** 2))


@kernel
def _moved(angles, offset_s, sd_s, address, end_s, forearm, d_deg, regrip_deg, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled  # fmt: skip
    later, room = np.empty(d_deg.shape[1:]), np.empty(3)
    k0, count = SHAFT_ANGLE_AT_ADDRESS_DEG, d_deg.shape[2]
    for row in range(len(angles)):
        flexion, found = address[row, FLEXION], out[row]
        takeaway, top, impact = offset_s[row, 0], offset_s[row, 1], offset_s[row, 2]
        # Another angle at address is another ulnar deviation throughout: k = k0 - D ulnar.
        closure_sums(d_deg[row], flexion, k0, regrip_deg, room, room, found[0, 0], found[0, 1])
        late = top + sd_s[row, 1]
        read_curve(
            angles[row], takeaway, late, impact, address[row], end_s[row], forearm[row], 0, count, later
        )
        closure_sums(later, flexion, k0, 0.0, found[1, 0], found[1, 1], room, room)
        late = impact + sd_s[row, 2]
        read_curve(angles[row], takeaway, top, late, address[row], end_s[row], forearm[row], 0, count, later)
        closure_sums(later, flexion, k0, 0.0, found[2, 0], found[2, 1], room, room)
