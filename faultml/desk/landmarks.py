"""A swing's landmarks as they are now: those of the results, with what a coach has moved or taken back since."""

from __future__ import annotations

import pandas as pd

from faultml.errors import InputError
from faultml.labels.landmarks import (
    MovedLandmark,
    Swing,
    SwingTimes,
    last_found,
    move_landmark,
    moved_on,
    undo_landmark,
)
from faultml.recordings.corrections import COACH_SD_S, MOVABLE, Landmark
from faultml.store import Store


def swing_of(row: pd.Series) -> Swing:
    """The swing of a row of the table ``swings``."""
    return str(row["player"]), str(row["session"]), str(row["swing"])


def landmarks_now(store: Store, row: pd.Series) -> pd.Series:
    """A row of the table ``swings`` with the landmarks that hold now.

    Where one was taken back since the season was classified, it stands where it had been found.
    """
    if not row["assessed"]:
        return row
    moved = {each.landmark: each.at_s for each in moved_on(store, swing_of(row))}
    back = set(row["coach_landmarks"]) - set(moved)
    found = last_found(store, swing_of(row)) if back else {}
    changed = row.copy()
    for name in MOVABLE:
        if name in moved:
            changed[f"{name}_s"], changed[f"{name}_sd_s"] = moved[name], COACH_SD_S
        elif name in back and name in found:
            changed[f"{name}_s"] = found[name]
    changed["coach_landmarks"] = tuple(name for name in MOVABLE if name in moved)
    return changed


def is_ahead(store: Store, row: pd.Series) -> bool:
    """Whether landmarks were moved or taken back since the season was classified."""
    now = landmarks_now(store, row)
    return any(abs(float(now[f"{name}_s"]) - float(row[f"{name}_s"])) > 1e-9 for name in MOVABLE)


def move(
    store: Store, row: pd.Series, landmark: Landmark, at_s: float, coach: str, ends_s: tuple[float, float]
) -> None:
    """Keep a landmark where the coach has put it.

    Parameters
    ----------
    row
        The swing's row of the table ``swings``.
    at_s
        On the recording's clock.
    ends_s
        First and last recorded moment, on the same clock.

    Raises
    ------
    InputError
        As `faultml.labels.landmarks.move_landmark`; ``not-assessed`` where the swing has no landmarks.
    """
    if not row["assessed"]:
        raise InputError("not-assessed", where=" / ".join(swing_of(row)), expected="a swing with landmarks")
    now = landmarks_now(store, row)
    takeaway, top, impact = (float(now[f"{name}_s"]) for name in MOVABLE)
    found = float(row[f"{landmark}_s"])
    if (
        landmark in row["coach_landmarks"]
    ):  # the results hold a coach's: what was found stands with the earlier move
        found = last_found(store, swing_of(row)).get(landmark, found)
    moved = MovedLandmark(*swing_of(row), landmark, at_s, found, coach)
    move_landmark(store, moved, SwingTimes((takeaway, top, impact), *ends_s))


def undo(store: Store, row: pd.Series, coach: str) -> MovedLandmark | None:
    """Take the last move on a swing back; None where there is none."""
    return undo_landmark(store, swing_of(row), coach)
