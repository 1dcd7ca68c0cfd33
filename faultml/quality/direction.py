"""Does the wrist turn the way a lead wrist does, or is a sign, a side or the arm another?

Read around each window's fastest moment, which is the same whatever the signs are, and not at landmarks, which are
found by networks that have learned right signs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from faultml.channels import FLEXION, PRONATION, ULNAR
from faultml.motion.window import OFFSETS_S, Windows
from faultml.recordings.findings import MotionLimits

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_READINGS = 9


@dataclass(frozen=True)
class Directions:
    """Which way the angles go, ``(n_swings, 3)`` degrees each.

    Attributes
    ----------
    opening_deg
        Absolute angles at the opening of the recording.
    back_deg
        Mean over the span before the fastest moment, from the opening.
    through_deg
        Change across the fastest moment.
    after_deg
        Change from the fastest moment to well after it.
    """

    opening_deg: Array
    back_deg: Array
    through_deg: Array
    after_deg: Array

    @classmethod
    def read(cls, windows: Windows, limits: MotionLimits) -> Directions:
        """Directions of a batch's windows."""

        def at(first_s: Array | float, last_s: Array | float) -> Array:
            first, last = (np.broadcast_to(value, len(windows))[:, None] for value in (first_s, last_s))
            return windows.angles_at(first + np.linspace(0, 1, _READINGS) * (last - first))

        start_s = np.maximum(windows.start_s, -limits.longest_back_s)
        opening = np.median(at(start_s, start_s + limits.opening_s), axis=2)
        early_s, late_s = limits.back_s
        before_s = -OFFSETS_S
        span = (before_s <= early_s) & (before_s >= late_s)
        across = at(-limits.about_s, limits.about_s)
        after = at(limits.after_s[0], limits.after_s[1]).mean(axis=2)
        return cls(
            opening_deg=opening,
            back_deg=windows.angles_deg[:, :, span].mean(axis=2) - opening,
            through_deg=across[:, :, -1] - across[:, :, 0],
            after_deg=after - at(limits.about_s / 2, limits.about_s / 2)[:, :, 0],
        )

    def rightly(self, channel: int, sign: int, limits: MotionLimits) -> Mask:
        """Swings whose channel clearly goes to `sign` (+1 or -1) going back, and back again through the ball."""
        back, through = sign * self.back_deg[:, channel], sign * self.through_deg[:, channel]
        return (back > limits.wrong_deg) & (back - through > limits.wrong_turn_deg)


def suspect_directions(windows: Windows, full: Mask, limits: MotionLimits) -> dict[str, Mask]:
    """Which swings go a wrong way, by the code of the finding.

    A swing that is taken for no full one is only suspected where what else it holds looks like one: with a wrong
    sign a full swing looks like none.

    Parameters
    ----------
    full
        ``(n_swings,)`` what is taken for a full swing.
    """
    ways = Directions.read(windows, limits)
    forearm = windows.has_pronation
    hinged, unhinged = (ways.rightly(ULNAR, sign, limits) for sign in (-1, 1))
    opened = ways.rightly(PRONATION, 1, limits) & forearm
    closed = ways.rightly(PRONATION, -1, limits) & forearm
    flexion_opening, flexion_after = ways.opening_deg[:, FLEXION], ways.after_deg[:, FLEXION]
    bowed = flexion_opening > limits.bowed_address_deg
    bows_on = flexion_after > limits.bows_after_deg
    unclear = (ways.back_deg[:, ULNAR] > limits.unclear_deg) & ~unhinged & full
    return {
        "side-suspected": unhinged & closed,
        "sign-suspected": unhinged & ~closed & (full | opened),
        "roll-sign-suspected": closed & ~unhinged & (full | hinged),
        "flexion-sign-suspected": bowed & bows_on & (full | (hinged & (opened | ~forearm))),
        "direction-unclear": unclear,
        "flexed-address": bowed & ~bows_on & full,
    }
