"""What a swing does, whatever its signs and units: what the sign of a channel is recognised by.

Going back, a lead wrist hinges (ulnar deviation falls) and its forearm rolls open (pronation rises); around the
fastest moment both turn back. Flexion does neither in all golfers, so that its sign cannot be recognised that way; most
lead wrists stand extended at address, which is a hint and no more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

GRID_HZ: Final = 100.0
BEFORE_S: Final = 1.7
AFTER_S: Final = 0.3
APART_S: Final = 4.0
"""Between the fastest moments of two swings of one recording."""
FAST_DPS: Final = 300.0
"""A full swing's wrist and forearm turn faster than this together; what does not is passed over."""
CLEAR_DEG: Final = 10.0
"""By how much a channel must leave and come back to count."""
AGREE: Final = 0.8
"""Share of the clear swings that must go the same way."""
MAX_SWINGS: Final = 200


@dataclass(frozen=True)
class Moves:
    """Swings found in some recordings, by what each channel does in them.

    Attributes
    ----------
    back_deg
        ``(n_swings, n_channels)`` how far a channel stands from its start on the way back, on average.
    hinge_deg
        The same against the mean of its start and of where it is just after the fastest moment.
    start_deg
        Where it stands at the start.
    fastest_s
        ``(n_swings,)`` the fastest moment on the recording's clock, and `recording` which one that is.
    """

    back_deg: Array
    hinge_deg: Array
    start_deg: Array
    fastest_s: Array
    recording: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.fastest_s)


def find_moves(recordings: Sequence[tuple[Array, Array]]) -> Moves:
    """Swings in recordings of ``t_s (n,)`` and ``angles_deg (n_channels, n)``; lost samples are bridged."""
    found = []
    for number, (t_s, angles_deg) in enumerate(recordings):
        if len(t_s) > 1 and t_s[-1] - t_s[0] > 0.5:
            found += [(number, *each) for each in _moves(t_s, angles_deg)]
        if len(found) >= MAX_SWINGS:
            break
    if not found:
        n_channels = len(recordings[0][1]) if recordings else 0
        empty = np.empty((0, n_channels))
        return Moves(empty, empty, empty, np.empty(0), np.empty(0, dtype=np.int64))
    numbers, fastest_s, back, hinge, start = (np.array(each) for each in zip(*found, strict=True))
    return Moves(back, hinge, start, fastest_s, numbers)


def _moves(t_s: Array, angles_deg: Array) -> list[tuple[float, Array, Array, Array]]:
    grid = np.arange(t_s[0], t_s[-1], 1 / GRID_HZ)
    angles = np.array([_smooth(_onto(grid, t_s, channel)) for channel in angles_deg])
    speed = _smooth(np.sqrt((np.gradient(angles, 1 / GRID_HZ, axis=1) ** 2).sum(axis=0)))
    found: list[tuple[float, Array, Array, Array]] = []
    apart = int(APART_S * GRID_HZ)
    while len(found) < MAX_SWINGS and speed.max() > FAST_DPS:
        at = int(speed.argmax())
        speed[max(0, at - apart) : at + apart] = 0
        first = max(0, at - int(BEFORE_S * GRID_HZ))
        after = min(len(grid) - 1, at + int(0.04 * GRID_HZ))
        if at - first < 0.6 * GRID_HZ:
            continue  # it begins too late to tell where the swing comes from
        start = angles[:, first : first + 8].mean(axis=1)
        back = angles[:, at - 50 : at - 12].mean(axis=1) - start
        hinge = angles[:, at - 35 : at - 8].mean(axis=1) - 0.5 * (start + angles[:, after])
        found.append((float(grid[at]), back, hinge, start))
    return sorted(found, key=lambda each: each[0])


def _onto(grid: Array, t_s: Array, channel: Array) -> Array:
    there = np.isfinite(channel)
    # A forearm angle that wraps at half a turn goes the way it went.
    return (
        np.interp(grid, t_s[there], np.unwrap(channel[there], period=360))
        if there.any()
        else np.zeros(len(grid))
    )


def _smooth(values: Array) -> Array:
    return np.convolve(np.pad(values, 2, mode="edge"), np.full(5, 0.2), "valid")


@dataclass(frozen=True)
class Direction:
    """Which way a channel goes in the backswing: `sign` +1, -1, or 0 where it is not clear."""

    sign: int
    clear: int
    agreeing: int
    swings: int


def backswing_direction(moves: Moves, channel: int) -> Direction:
    """Which way most swings take a channel on the way back, and bring it back from."""
    back, hinge = moves.back_deg[:, channel], moves.hinge_deg[:, channel]
    clear = (np.abs(back) > CLEAR_DEG) & (np.abs(hinge) > CLEAR_DEG) & (np.sign(back) == np.sign(hinge))
    signs = np.sign(hinge[clear])
    up, down = int((signs > 0).sum()), int((signs < 0).sum())
    most = max(up, down)
    agreed = most >= max(1, 0.5 * len(moves)) and most >= AGREE * max(up + down, 1)
    return Direction((1 if up > down else -1) if agreed else 0, up + down, most, len(moves))
