"""What season to draw."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True)
class Recipe:
    """What season to draw. Everything follows from it and its seed.

    Attributes
    ----------
    style_scale, mounting_scale, noise_scale
        1 for everyday golfers and recorders; larger for more varied ones, as in training.
    non_swing_share
        Part of the recordings that is no full swing.
    other_activity_share
        Part of the recordings that is no golf at all, of the kinds that may be learned from.
    shuffle_faults
        Draw each swing's fault sizes anew instead of following a golfer's season: more varied, for training.
    """

    golfers: int = 12
    sessions: int = 6
    swings: int = 12
    seed: int = 1
    clean_share: float = 0.12
    style_scale: float = 1.0
    mounting_scale: float = 1.0
    noise_scale: float = 1.0
    slow_start_share: float = 0.015
    non_swing_share: float = 0.06
    other_activity_share: float = 0.0
    rate_hz: float | None = None
    shuffle_faults: bool = False
    first_day: date = date(2031, 3, 1)
    names: tuple[str, ...] = ()
