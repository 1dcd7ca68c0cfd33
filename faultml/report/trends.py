"""From session to session: how often the player's faults showed, and whether the setup moved."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import msgspec
import numpy as np
import pandas as pd
from markupsafe import Markup
from numpy.typing import NDArray

from faultml.channels import CHANNELS
from faultml.coaching.estimates import rates
from faultml.coaching.rules import Coaching
from faultml.report.charts import SHOWN_SESSIONS, SessionPoint, Share, address_drift, trend
from faultml.report.text import degrees, listed, shown
from faultml.results.sessions import COUNTING, natural_key, session_date

MIN_SESSIONS: Final = 2
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
    setups = _setups(sessions)
    names = sorted(setups, key=natural_key)[-SHOWN_SESSIONS:]
    if len(names) < MIN_SESSIONS:
        return None
    shares = _shares(faults, names, followed, coaching)
    points = [
        SessionPoint(
            name=shown(name),
            shares=tuple(shares.get((name, fault)) for fault in followed),
            address_deg=setups[name].address_deg,
            retest=setups[name].contexts == {"retest"},
        )
        for name in names
    ]
    words = [coaching.words[fault] for fault in followed]
    listed_shares = listed([f"{name} ({shape})" for name, shape in zip(words, SHAPE_WORDS, strict=False)])
    lessons_at = _lesson_places(lessons, names)
    band = (coaching.catalogue.address.extension_low, coaching.catalogue.address.extension_high)
    return Trends(
        shares=trend(points, words, lessons_at, f"Session by session: {listed_shares}") if followed else None,
        shares_caption=f"Share of a session's swings with {listed_shares}, with 90 % intervals.{_retests(points)}",
        drift=address_drift(points, band, "The angles at address, session by session"),
        drift_caption="The angles at address: wrist bend (circle), wrist hinge (square), forearm roll "
        f"(triangle). Band: {band[0]:.0f}° to {band[1]:.0f}° of extension, outside which the setup is looked "
        f"at first. {_moved(points)}",
    )


def _retests(points: Sequence[SessionPoint]) -> str:
    return " Open marks are re-tests." if any(point.retest for point in points) else ""


@dataclass
class _Setup:
    """One session's sums of the angles at address, over the contexts that count."""

    sums: NDArray[np.float64]
    counts: NDArray[np.float64]
    contexts: set[str]

    @property
    def address_deg(self) -> NDArray[np.float64]:
        """``(3,)`` mean angles, NaN where not recorded."""
        return np.divide(self.sums, self.counts, out=np.full(3, np.nan), where=self.counts > 0)


def _setups(sessions: pd.DataFrame) -> dict[str, _Setup]:
    """Sessions with at least one assessed swing that counts."""
    sums = sessions[[f"address_{channel}" for channel in CHANNELS]].to_numpy(float)
    counts = sessions[["n_address", "n_address", "n_pronation"]].to_numpy(float)
    found: dict[str, _Setup] = {}
    for row, (name, context) in enumerate(zip(sessions["session"], sessions["context"], strict=True)):
        if context in COUNTING and counts[row, 0] > 0:
            setup = found.setdefault(str(name), _Setup(np.zeros(3), np.zeros(3), set()))
            setup.sums += sums[row]
            setup.counts += counts[row]
            setup.contexts.add(context)
    return found


def _shares(
    faults: pd.DataFrame, names: Sequence[str], followed: Sequence[str], coaching: Coaching
) -> dict[tuple[str, str], Share]:
    """Posterior share of each session and fault."""
    sums: dict[tuple[str, str], NDArray[np.float64]] = {}
    keys = zip(faults["session"], faults["fault"], faults["context"], strict=True)
    values = faults[["n", "p", "pq"]].to_numpy(float)
    for (session, fault, context), added in zip(keys, values, strict=True):
        if context in COUNTING and fault in followed and session in names and added[0] > 0:
            sums[session, fault] = sums.get((session, fault), np.zeros(3)) + added
    n, p, pq = np.array(list(sums.values())).reshape(-1, 3).T
    # One session by itself: nothing to allow for between sessions, no season's prior to pull it along.
    own = msgspec.structs.replace(coaching.rules.rate, prior_yes=0.5, prior_no=0.5, clustering=0.0)
    posterior = rates(np.arange(len(sums)), len(sums), n, p, pq, own)
    shares = zip(posterior.mean.tolist(), posterior.low.tolist(), posterior.high.tolist(), strict=True)
    return {key: Share(*three) for key, three in zip(sums, shares, strict=True)}


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
