"""A practice window in one player's own numbers, cut to the limits of care."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import msgspec
import numpy as np

from faultml.care.rules import Limits, Setup
from faultml.coaching.window import AnyWindow, SpreadWindow, Window
from faultml.faults.catalogue import Catalogue

UNKNOWN: Final = float("nan")
_SLACK_DEG: Final = 1e-9


@dataclass(frozen=True)
class OwnNumbers:
    """A player's own wrist angles that a window is placed on, degrees; NaN where not known.

    Attributes
    ----------
    setup
        Absolute angles at address.
    top_flexion_deg, impact_flexion_deg
        Mean flexion at the top and at impact, relative to the setup.
    lowest_ulnar_deg, impact_ulnar_deg
        Mean of the most hinged value (b 0.8 to d 0.5) and of ulnar deviation at impact, relative to the setup.
    """

    setup: Setup
    top_flexion_deg: float = UNKNOWN
    impact_flexion_deg: float = UNKNOWN
    lowest_ulnar_deg: float = UNKNOWN
    impact_ulnar_deg: float = UNKNOWN

    @property
    def unhinging_deg(self) -> float:
        """How far the player unhinges from the most hinged moment to impact.

        The difference of two means: a season keeps sums, which have no median.
        """
        return self.impact_ulnar_deg - self.lowest_ulnar_deg

    @property
    def hinge_deg(self) -> float:
        """The player's own full hinge as an absolute angle toward the thumb side."""
        return -(self.setup.ulnar_deg + self.lowest_ulnar_deg)


@dataclass(frozen=True)
class PlacedWindow:
    """A window in a player's own numbers.

    Attributes
    ----------
    window
        The window as it holds for the player: its bound and its guard are cut to the limits, and a share of the
        unhinging has become degrees.
    absolute_deg
        The bound as an angle of the wrist itself; NaN where what it is relative to is not known.
    clipped
        Whether care cut it.
    usable
        Whether it is a window at all: room is left inside the limits, and a swing with the fault does not meet it.
    """

    window: AnyWindow
    absolute_deg: float
    clipped: bool
    usable: bool


def own_numbers(setup: Setup, means: Mapping[str, float], catalogue: Catalogue) -> OwnNumbers:
    """A player's numbers from the mean of each fault's measure over the season, practice left out."""
    read = {
        (fault.measure.stat, fault.measure.channel, fault.measure.start): means[fault.id]
        for fault in catalogue.faults
        if fault.id in means
    }
    return OwnNumbers(
        setup=setup,
        top_flexion_deg=read.get(("at", "flexion_deg", "b1.0"), UNKNOWN),
        impact_flexion_deg=read.get(("at", "flexion_deg", "d1.0"), UNKNOWN),
        lowest_ulnar_deg=read.get(("min", "ulnar_deg", "b0.8"), UNKNOWN),
        impact_ulnar_deg=read.get(("at", "ulnar_deg", "d1.0"), UNKNOWN),
    )


def bounds(window: Window, own: OwnNumbers, limits: Limits) -> tuple[float, float]:
    """Absolute angles, degrees, that care allows on the window's channel and stretch of the swing.

    Toward the thumb side the limit is the player's own full hinge, within `radial` and `max_radial`. The rule
    that the wrist is never bowed at full hinge holds for a window that ends while it is fully hinged.
    """
    if window.channel == "ulnar_deg":
        return -limits.hinge_deg(own.hinge_deg if np.isfinite(own.hinge_deg) else None), limits.ulnar
    if window.channel == "pronation_deg":
        return float("-inf"), float("inf")
    hinged = window.ends_within(limits.hinge_from, limits.hinge_to)
    return -limits.extension, limits.flexion_at_hinge if hinged else limits.flexion


def place(window: AnyWindow, own: OwnNumbers, limits: Limits) -> PlacedWindow:
    """Put a window into a player's own numbers and cut it to the limits of care.

    A bound that the curve stays inside of is drawn in where it lies beyond a limit, which makes the window stricter. A
    bound that the curve has to reach is brought nearer, which makes it easier: it stops being a window where swings
    with the fault would meet it.
    """
    if isinstance(window, SpreadWindow):
        return PlacedWindow(window, UNKNOWN, clipped=False, usable=True)
    bound_deg, enough = window.bound_deg, True
    if window.share is not None and np.isfinite(own.unhinging_deg):
        bound_deg, enough = window.share * own.unhinging_deg, own.unhinging_deg >= window.min_unhinging_deg
    low, high = bounds(window, own, limits)
    level = _level(window, own)
    absolute = bound_deg + level
    cut = _cut(window, absolute, (low, high), own, limits)
    guard_deg = window.guard_deg
    if guard_deg is not None:
        at_setup = getattr(own.setup, window.channel)
        guard_deg = _cut(window, guard_deg + at_setup, (low, high), own, limits) - at_setup
    moved = cut - absolute if np.isfinite(level) else 0.0
    placed = msgspec.structs.replace(
        window, bound_deg=bound_deg + moved, guard_deg=guard_deg, share=None, margin_deg=0.0
    )
    within = low - _SLACK_DEG <= cut <= high + _SLACK_DEG
    wide = (cut - low if window.side == "below" else high - cut) >= limits.min_width - _SLACK_DEG
    room = not np.isfinite(level) or (within and wide)
    if window.must == "stay" and window.reference in ("top", "impact"):
        # At its own reference every swing reads 0: a bound drawn in past that could not be met.
        room = room and window.sign * placed.bound_deg >= limits.min_width
    edge_deg = window.edge_deg if window.share is None else bound_deg
    measures = window.sign * (placed.bound_deg - edge_deg) <= _SLACK_DEG
    return PlacedWindow(
        window=placed,
        absolute_deg=cut if np.isfinite(level) else UNKNOWN,
        clipped=bool(moved) or guard_deg != window.guard_deg,
        usable=bool(enough and room and measures),
    )


def _level(window: Window, own: OwnNumbers) -> float:
    """The absolute angle that the window's bound is relative to."""
    at_setup = float(getattr(own.setup, window.channel))
    match window.reference:
        case "absolute":
            return 0.0
        case "setup":
            return at_setup
        case "lowest":
            return at_setup + own.lowest_ulnar_deg
        case "top":
            return at_setup + own.top_flexion_deg if window.channel == "flexion_deg" else UNKNOWN
        case "impact":
            return at_setup + own.impact_flexion_deg if window.channel == "flexion_deg" else UNKNOWN


def _cut(
    window: Window, absolute_deg: float, allowed_deg: tuple[float, float], own: OwnNumbers, limits: Limits
) -> float:
    """An absolute bound inside the allowed angles."""
    low, high = allowed_deg
    if window.must == "stay":
        return min(absolute_deg, high) if window.side == "below" else max(absolute_deg, low)
    if window.side == "above":
        return min(max(absolute_deg, low), high - limits.min_width)
    floor = low + limits.min_width
    if window.channel == "ulnar_deg":
        floor = max(floor, own.setup.ulnar_deg + limits.hinge_reach_deg)
    return max(min(absolute_deg, high), floor)
