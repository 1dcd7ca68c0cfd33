"""The practice window: where the wrist should be, when in the swing, and how far care lets it reach."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from faultml.coaching.care import Limits, Setup
from faultml.coaching.data import Record
from faultml.faults.catalogue import parse_position
from faultml.faults.measure import coordinate

Channel = Literal["flexion_deg", "ulnar_deg", "pronation_deg"]


class Window(Record, frozen=True, rename={"start": "from", "end": "to"}):
    """A corridor from one moment to another, degrees relative to the player's own setup."""

    channel: Channel
    start: str
    end: str
    low_deg: float
    high_deg: float

    def overlaps(self, start: str, end: str) -> bool:
        """Whether the window's stretch of the swing touches the one from `start` to `end`."""
        return _place(self.start) <= _place(end) and _place(start) <= _place(self.end)


@dataclass(frozen=True)
class PlacedWindow:
    """A window on a player's own setup, cut where the absolute angle would leave the limits.

    Attributes
    ----------
    low_deg, high_deg
        Relative to the player's setup.
    absolute_low_deg, absolute_high_deg
        The same as angles of the wrist itself.
    clipped
        Whether care cut it.
    usable
        Whether enough of it is left to practise in.
    """

    low_deg: float
    high_deg: float
    absolute_low_deg: float
    absolute_high_deg: float
    clipped: bool
    usable: bool


def bounds(window: Window, limits: Limits) -> tuple[float, float]:
    """Absolute angles, degrees, that care allows on the window's channel and stretch of the swing."""
    if window.channel == "ulnar_deg":
        return -limits.radial, limits.ulnar
    if window.channel == "pronation_deg":
        return float("-inf"), float("inf")
    hinged = window.overlaps(limits.hinge_from, limits.hinge_to)
    return -limits.extension, limits.flexion_at_hinge if hinged else limits.flexion


def place(window: Window, setup: Setup, limits: Limits) -> PlacedWindow:
    """Put a window on a setup and cut it to the limits of care."""
    address = getattr(setup, window.channel)
    low, high = bounds(window, limits)
    absolute_low = max(window.low_deg + address, low)
    absolute_high = min(window.high_deg + address, high)
    return PlacedWindow(
        low_deg=absolute_low - address,
        high_deg=absolute_high - address,
        absolute_low_deg=absolute_low,
        absolute_high_deg=absolute_high,
        clipped=absolute_low > window.low_deg + address or absolute_high < window.high_deg + address,
        usable=absolute_high - absolute_low >= limits.least_width,
    )


def _place(text: str) -> float:
    """A moment on one axis: backswing 0-1, downswing 1-2, after impact from 2."""
    return coordinate(parse_position(text))
