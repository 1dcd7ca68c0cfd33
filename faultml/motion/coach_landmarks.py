"""Landmarks that a coach has moved, in the place of those that were found; what was found beside them gives way."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from faultml.motion.landmark_model import IMPACT, MIN_S, Landmarks
from faultml.motion.window import MARK_SD_S, OFFSETS_S, Windows

Array = NDArray[np.float64]

_MIN_BACKSWING_S, _MIN_DOWNSWING_S, _MIN_FOLLOW_S = MIN_S


class Placed(NamedTuple):
    """Windows and landmarks with a coach's in them.

    Attributes
    ----------
    windows
        With no contact mark where the coach has moved the impact.
    used
        ``(n_swings, 3)`` which of takeaway, top and impact are the coach's.
    timing_s
        ``(n_swings,)`` by which golfer's timing the impact was moved; NaN where by none.
    ignored
        ``(n_swings,)`` swings whose moved landmarks lie outside the recording or out of order: none is used.
    """

    windows: Windows
    landmarks: Landmarks
    used: NDArray[np.bool_]
    ignored: NDArray[np.bool_]
    timing_s: Array


def place(windows: Windows, found: Landmarks, coach_s: Array, coach_sd_s: Array) -> Placed:
    """Put a coach's landmarks in the place of those found.

    Parameters
    ----------
    found
        As the model found them.
    coach_s
        ``(n_swings, 3)`` takeaway, top and impact on the recording's clock, NaN where not moved.
    coach_sd_s
        ``(n_swings, 3)`` how surely each is placed.
    """
    moved = np.isfinite(coach_s)
    if not moved.any():
        nobody = np.zeros(len(windows), dtype=bool)
        return Placed(windows, found, moved, nobody, np.full(len(windows), np.nan))
    given = coach_s - windows.anchor_s[:, None]
    held = given.copy()
    # A contact mark stays where it is unless the coach has moved the impact itself.
    held[:, IMPACT] = np.where(moved[:, IMPACT], given[:, IMPACT], windows.mark_s)
    fits = in_order(held, np.maximum(windows.start_s, OFFSETS_S[0]), np.minimum(windows.end_s, OFFSETS_S[-1]))
    used = moved & fits[:, None]
    offset_s, sd_s = found.offset_s.copy(), found.sd_s.copy()
    rows = used.any(axis=1)
    offset_s[rows] = _giving_way(found.offset_s[rows], np.where(used, given, np.nan)[rows])
    sd_s[:, : IMPACT + 1][used] = coach_sd_s[used]
    mark_s = np.where(used[:, IMPACT], np.nan, windows.mark_s)
    ignored = moved.any(axis=1) & ~fits
    landmarks = Landmarks(offset_s, sd_s)
    return Placed(replace(windows, mark_s=mark_s), landmarks, used, ignored, np.full(len(windows), np.nan))


def with_timing(placed: Placed, timing_s: Array, timing_sd_s: Array) -> Placed:
    """Move inferred impacts by their golfer's timing; an impact that is marked or the coach's stays.

    Parameters
    ----------
    timing_s, timing_sd_s
        ``(n_swings,)`` by how much, and the SD of the impact then; NaN where there is no timing.
    """
    windows, landmarks = placed.windows, placed.landmarks
    open_impact = np.isfinite(timing_s) & ~windows.marked & ~placed.used[:, IMPACT]
    if not open_impact.any():
        return placed
    held = np.where(placed.used, landmarks.offset_s[:, : IMPACT + 1], np.nan)
    held[:, IMPACT] = landmarks.offset_s[:, IMPACT] + timing_s
    first_s, last_s = np.maximum(windows.start_s, OFFSETS_S[0]), np.minimum(windows.end_s, OFFSETS_S[-1])
    rows = open_impact & in_order(held, first_s, last_s)
    offset_s, sd_s = landmarks.offset_s.copy(), landmarks.sd_s.copy()
    offset_s[rows] = _giving_way(landmarks.offset_s[rows], held[rows])
    sd_s[rows, IMPACT] = np.maximum(timing_sd_s[rows], MARK_SD_S)
    return placed._replace(landmarks=Landmarks(offset_s, sd_s), timing_s=np.where(rows, timing_s, np.nan))


def in_order(times_s: Array, first_s: Array, last_s: Array) -> NDArray[np.bool_]:
    """Whether landmarks that are held fast leave room for each other and for those between, ``(n_swings,)``.

    Parameters
    ----------
    times_s
        ``(n_swings, 3)`` takeaway, top and impact, NaN where not held.
    first_s, last_s
        ``(n_swings,)`` the recording's first and last moment, on the same clock.
    """
    takeaway, top, impact = times_s.T
    slack = 1e-9
    earliest_top = np.where(np.isfinite(takeaway), takeaway, first_s) + _MIN_BACKSWING_S
    earliest_impact = np.where(np.isfinite(top), top, earliest_top) + _MIN_DOWNSWING_S
    latest_top = np.where(np.isfinite(impact), impact, last_s) - _MIN_DOWNSWING_S
    latest_takeaway = np.where(np.isfinite(top), top, latest_top) - _MIN_BACKSWING_S
    with np.errstate(invalid="ignore"):
        wrong = (takeaway < first_s - slack) | (takeaway > latest_takeaway + slack)
        wrong |= (top < earliest_top - slack) | (top > latest_top + slack)
        wrong |= (impact < earliest_impact - slack) | (impact > last_s + slack)
    return ~wrong


def _giving_way(found: Array, given: Array) -> Array:
    """Landmarks ``(n_swings, 4)``: those given as they are, the found ones moved as far as the order asks."""
    takeaway, top, impact, finish = found.T
    own_takeaway, own_top, own_impact = given.T
    earliest_top = np.where(np.isfinite(own_takeaway), own_takeaway + _MIN_BACKSWING_S, -np.inf)
    earliest_impact = np.where(np.isfinite(own_top), own_top, earliest_top) + _MIN_DOWNSWING_S
    impact = np.where(np.isfinite(own_impact), own_impact, np.maximum(impact, earliest_impact))
    top = np.clip(top, earliest_top, impact - _MIN_DOWNSWING_S)
    top = np.where(np.isfinite(own_top), own_top, top)
    takeaway = np.minimum(takeaway, top - _MIN_BACKSWING_S)
    takeaway = np.where(np.isfinite(own_takeaway), own_takeaway, takeaway)
    return np.column_stack([takeaway, top, impact, np.maximum(finish, impact + _MIN_FOLLOW_S)])
