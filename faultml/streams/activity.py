"""How fast the wrist moves, and the moments that may be a swing's release."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, maximum_filter1d, uniform_filter1d

from faultml.channels import PRONATION
from faultml.streams.runs import Window

Array = NDArray[np.float64]

GRID_HZ: Final = 50.0
MIN_RELEASE_DPS: Final = 150.0
"""No full swing's wrist turns slower than this over its fastest tenth of a second: lead wrists of professionals reach
1085 +- 338 deg/s in the downswing (Zheng 2008); 150 leaves room for slow beginners and a lost forearm channel."""

_TENTH: Final = 5
_APART: Final = 25
"""Fast moments closer than half a second are one movement, in steps of the grid."""

LONE_BEFORE_S: Final = (0.5, 2.0)
LONE_AFTER_S: Final = (0.6, 2.0)
LONE_SHARE: Final = 0.8
"""A release stands alone: nothing so long before or after it reaches this share of its speed. Whoever hammers, stirs or
waves moves as fast again and again; in 99 % of generated swings it is less than 0.7 before and 0.5 after."""

LONGEST_BEFORE_S: Final = 3.4
LONGEST_AFTER_S: Final = 2.6
"""How far a swing reaches before and after its fastest moment at most, with address and finish."""


@dataclass(frozen=True)
class Activity:
    """Speed of a window: `dps` deg/s of all angles together over a tenth of a second, about each of `at_s`."""

    at_s: Array
    dps: Array


@dataclass(frozen=True)
class Movement:
    """A fast moment and the stretch about it in which nothing is faster, seconds on the recording's clock.

    `lone` tells whether nothing nearly as fast comes shortly before or after it.
    """

    peak_s: float
    start_s: float
    end_s: float
    lone: bool


def activity(window: Window) -> Activity:
    """The speed of a window on an even clock that begins with the run."""
    since_s = window.t_s - window.run_from_s
    first, last = np.ceil(since_s[0] * GRID_HZ), np.floor(since_s[-1] * GRID_HZ)
    grid_s = np.arange(first, last + 1) / GRID_HZ
    if len(grid_s) < 2:
        return Activity(np.empty(0), np.empty(0))
    known = np.isfinite(window.angles_deg[PRONATION])
    channels = [np.interp(grid_s, since_s, row) for row in window.angles_deg[:PRONATION]]
    if known.any():
        channels.append(np.interp(grid_s, since_s[known], window.angles_deg[PRONATION, known]))
    steps = np.diff(gaussian_filter1d(np.stack(channels), 1.0), axis=1)
    path = uniform_filter1d(np.sqrt((steps**2).sum(axis=0)), _TENTH, mode="constant")
    return Activity(grid_s[:-1] + 0.5 / GRID_HZ + window.run_from_s, path * GRID_HZ)


def movements(window: Window, speed: Activity) -> list[Movement]:
    """The fast moments in the window's core, in order."""
    highest = speed.dps == maximum_filter1d(speed.dps, 2 * _APART + 1) if len(speed.dps) else speed.dps > 0
    inside = (speed.at_s >= window.core_s[0]) & (speed.at_s < window.core_s[1])
    return [
        _stretch(speed, int(peak))
        for peak in np.flatnonzero(highest & inside & (speed.dps >= MIN_RELEASE_DPS))
    ]


def _stretch(speed: Activity, peak: int) -> Movement:
    """From the quietest moment after the last faster one before the peak to that before the next faster one."""
    before = slice(max(0, peak - round(LONGEST_BEFORE_S * GRID_HZ)), peak)
    after = slice(peak + 1, peak + 1 + round(LONGEST_AFTER_S * GRID_HZ))
    start, end = before.start, min(after.stop, len(speed.dps)) - 1
    faster = np.flatnonzero(speed.dps[before] > speed.dps[peak])
    if len(faster):
        start += faster[-1] + int(speed.dps[before][faster[-1] :].argmin())
    faster = np.flatnonzero(speed.dps[after] > speed.dps[peak])
    if len(faster):
        end = peak + 1 + int(speed.dps[after][: faster[0] + 1].argmin())
    at_s = speed.at_s
    return Movement(float(at_s[peak]), float(at_s[start]), float(at_s[end]), _lone(speed, peak))


def _lone(speed: Activity, peak: int) -> bool:
    since_s = speed.at_s - speed.at_s[peak]
    before = (since_s >= -LONE_BEFORE_S[1]) & (since_s <= -LONE_BEFORE_S[0])
    after = (since_s >= LONE_AFTER_S[0]) & (since_s <= LONE_AFTER_S[1])
    return bool(speed.dps[before | after].max(initial=0) < LONE_SHARE * speed.dps[peak])
