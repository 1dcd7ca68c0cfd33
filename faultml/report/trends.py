"""From session to session: how often the player's faults showed, and whether the setup moved."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from markupsafe import Markup

from faultml.channels import CHANNELS
from faultml.coaching.estimates import rates
from faultml.coaching.rules import Coaching
from faultml.coaching.sessions import COUNTING, natural_key, session_date
from faultml.report.charts import SHOWN_SESSIONS, SessionPoint, Share, address_drift, trend
from faultml.report.text import degrees, listed, shown

LEAST_SESSIONS: Final = 2
SHAPE_WORDS: Final = ("circle", "square", "triangle")
_DATE: Final = re.compile(r"\d{4}-\d{2}-\d{2}")


@dataclass(frozen=True)
class Trends:
    """The two charts over sessions, with captions."""

    shares: Markup | None
    shares_caption: str
    drift: Markup
    drift_caption: str


def trends_for(
    faults: pd.DataFrame, sessions: pd.DataFrame, followed: Sequence[str], lessons: str, coaching: Coaching
) -> Trends | None:
    """Charts over a player's sessions, None where there are fewer than two.

    Parameters
    ----------
    faults, sessions
        The player's rows of `Summary.faults` and `Summary.sessions`.
    followed
        Up to three fault ids to draw, the leading one first.
    lessons
        The roster's cell of lesson dates.
    """
    counting = sessions[sessions["context"].isin(COUNTING) & (sessions["n_address"] > 0)]
    names = sorted(counting["session"].unique(), key=natural_key)[-SHOWN_SESSIONS:]
    if len(names) < LEAST_SESSIONS:
        return None
    points = _points(faults, counting, names, followed, coaching)
    words = [coaching.words[fault] for fault in followed]
    told = listed([f"{name} ({shape})" for name, shape in zip(words, SHAPE_WORDS, strict=False)])
    lessons_at = _lesson_places(lessons, names)
    band = (coaching.catalogue.address.extension_low, coaching.catalogue.address.extension_high)
    return Trends(
        shares=trend(points, words, lessons_at, f"Session by session: {told}") if followed else None,
        shares_caption=f"Share of a session's swings with {told}, with 90 % intervals.{_retests(points)}",
        drift=address_drift(points, band, "The angles at address, session by session"),
        drift_caption="The angles at address: wrist bend (circle), wrist hinge (square), forearm roll "
        f"(triangle). Band: {band[0]:.0f}° to {band[1]:.0f}° of extension, outside which the setup is looked "
        f"at first. {_moved(points)}",
    )


def _retests(points: Sequence[SessionPoint]) -> str:
    return " Open marks are re-tests." if any(point.retest for point in points) else ""


def _points(
    faults: pd.DataFrame,
    sessions: pd.DataFrame,
    names: Sequence[str],
    followed: Sequence[str],
    coaching: Coaching,
) -> list[SessionPoint]:
    setups = sessions.groupby("session")[
        ["n_address", "n_pronation", *(f"address_{name}" for name in CHANNELS)]
    ].sum()
    contexts = sessions.groupby("session")["context"].agg(set)
    shares = _shares(faults, names, followed, coaching)
    points = []
    for name in names:
        sums = setups.loc[name]
        counts = (sums["n_address"], sums["n_address"], sums["n_pronation"])
        address = [
            sums[f"address_{channel}"] / n if n else np.nan
            for channel, n in zip(CHANNELS, counts, strict=True)
        ]
        own = tuple(shares.get((name, fault)) for fault in followed)
        points.append(
            SessionPoint(shown(name), own, (address[0], address[1], address[2]), contexts[name] == {"retest"})
        )
    return points


def _shares(
    faults: pd.DataFrame, names: Sequence[str], followed: Sequence[str], coaching: Coaching
) -> dict[tuple[str, str], Share]:
    """Posterior share of each session and fault."""
    use = faults["fault"].isin(followed) & faults["session"].isin(names) & faults["context"].isin(COUNTING)
    sums = faults[use].groupby(["session", "fault"])[["n", "p", "pq"]].sum()
    sums = sums[sums["n"] > 0]
    n, p, pq = (sums[name].to_numpy(float) for name in ("n", "p", "pq"))
    posterior = rates(np.arange(len(sums)), len(sums), n, p, pq, coaching.rules.rate)
    values = zip(posterior.mean.tolist(), posterior.low.tolist(), posterior.high.tolist(), strict=True)
    return {
        (str(session), str(fault)): Share(*three)
        for (session, fault), three in zip(sums.index, values, strict=True)
    }


def _lesson_places(lessons: str, names: Sequence[str]) -> list[int]:
    """For each lesson the place of the first session after it; lessons outside the sessions are left out."""
    days = [session_date(name) for name in names]
    dates = [day for day in map(_date, _DATE.findall(lessons)) if day]
    places = {sum(day is not None and day < date for day in days) for date in dates} if all(days) else set()
    return sorted(place for place in places if 0 < place < len(names))


def _date(text: str) -> dt.date | None:
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        return None


def _moved(points: Sequence[SessionPoint]) -> str:
    values = np.array([point.address_deg for point in points])
    low, high = degrees(np.nanmin(values[:, 0])), degrees(np.nanmax(values[:, 0]))
    return (
        f"Bend at address stayed at {low}." if low == high else f"Bend at address ran from {low} to {high}."
    )
