"""A player's sessions in the order of time, and the dates that can be read from their names."""

from __future__ import annotations

import datetime as dt
import re
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

COUNTING: Final = ("play", "retest")
"""Contexts that tell how often a fault shows. Practice with feedback does not: its gain is not learning."""

_NUMBER = re.compile(r"(\d+)")
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")


def natural_key(label: str) -> tuple[tuple[int, int, str], ...]:
    """Sort key in which numbers count as numbers: "s2" before "s10", and ISO dates in the order of time."""
    parts = _NUMBER.split(label.casefold())
    keys = ((1, int(part), "") if part.isdecimal() else (0, 0, part) for part in parts)
    return (*keys, (0, 0, label))


def session_date(label: str) -> dt.date | None:
    """The date a session's label begins with, if it does."""
    found = _DATE.match(label)
    if found is None:
        return None
    try:
        return dt.date.fromisoformat(found[0])
    except ValueError:
        return None


def session_day(label: str) -> str:
    """The day of a session as an ISO date; the label itself where it begins with none, one session then being a day."""
    day = session_date(label)
    return label if day is None else day.isoformat()


def on_practice_days(rows: pd.DataFrame, sums: pd.DataFrame) -> NDArray[np.bool_]:
    """Which rows are of a player's day that also holds practice with feedback, ``(n_rows,)``.

    Such a day does not tell what is left without feedback. `sums` has ``player``, ``session`` and ``context``.
    """
    own, practice = _player_days(rows), _player_days(sums.loc[sums["context"] == "practice"])
    return np.asarray(own.isin(practice), dtype=bool)


def _player_days(rows: pd.DataFrame) -> pd.MultiIndex:
    days = {label: session_day(label) for label in rows["session"].unique()}
    return pd.MultiIndex.from_arrays([rows["player"], rows["session"].map(days)])


def number_sessions(rows: pd.DataFrame) -> pd.Series:
    """Each row's session as its place in the player's order, 0 for the first."""
    pairs = rows[["player", "session"]].drop_duplicates()
    labels = {label: place for place, label in enumerate(sorted(pairs["session"].unique(), key=natural_key))}
    place = pairs["session"].map(labels)
    order = place.groupby(pairs["player"]).rank(method="first") - 1
    index = pd.MultiIndex.from_frame(rows[["player", "session"]])
    return pd.Series(
        order.set_axis(pd.MultiIndex.from_frame(pairs)).reindex(index).to_numpy(), index=rows.index
    )
