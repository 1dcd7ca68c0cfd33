"""How surely the closure budget is known: landmarks that may lie elsewhere, the grip's angle, and the recorder."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.channels import LANDMARKS, ULNAR
from faultml.motion.closure import ClosureBudget, closure_budget
from faultml.motion.curves import Curves
from faultml.motion.landmarks import Landmarks
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
_LEAST_ROLL_SD_DEG: Final = 1.0


def closure_sd(
    windows: Windows, landmarks: Landmarks, curves: Curves, budget: ClosureBudget
) -> tuple[Array, Array, Array]:
    """Standard deviations of bend and roll by phase, ``(n_swings, 3)`` each, and of the total, ``(n_swings,)``.

    The budget is read again with top and impact one standard deviation later and with another grip angle; the parts
    are taken as independent.
    """
    others = [
        closure_budget(moved.d_deg, moved.address_deg)
        for name in ("top", "impact")
        for moved in [curves.shifted(windows, name, landmarks.sd_s[:, LANDMARKS.index(name)])]
    ]
    # Another angle at address is another ulnar deviation throughout: k = k0 - D ulnar.
    regripped = curves.d_deg.copy()
    regripped[:, ULNAR] -= SHAFT_ANGLE_SD_DEG
    address = curves.address_deg.copy()
    address[:, ULNAR] += SHAFT_ANGLE_SD_DEG
    others.append(closure_budget(regripped, address))
    bend = np.sqrt(sum((other.bend_deg - budget.bend_deg) ** 2 for other in others) + RECORDER_BEND_SD_DEG**2)
    lost = RECORDER_ROLL_SHARE * budget.roll_deg
    roll = np.sqrt(
        sum((other.roll_deg - budget.roll_deg) ** 2 for other in others) + lost**2 + _LEAST_ROLL_SD_DEG**2
    )
    moves = sum(((other.total_deg - budget.total_deg).sum(axis=1)) ** 2 for other in others)
    total = np.sqrt(moves + RECORDER_TOTAL_SD_DEG**2 + lost.sum(axis=1) ** 2)
    return bend, roll, total
