"""Seasons as sums, where the true change of every player is known."""

from __future__ import annotations

from datetime import date
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from faultml.coaching.book import load_book
from faultml.coaching.giving import Giving, note_givings
from faultml.faults.catalogue import load_catalogue
from faultml.outcomes.assignments import Assignment
from faultml.store import Store

FAULT = "flexed_top"
DRILL = "pause_then_go"


def day(number: int) -> str:
    """The date of a session, 0 for the first."""
    return f"2031-03-{number + 1:02d}"


def sums_of(
    player: str, session: str, measure: NDArray[np.float64], context: str = "play", fault: str = FAULT
) -> dict[str, object]:
    """One session's row of sums; a swing shows the fault where its measure is past the edge."""
    entry = load_catalogue()[fault]
    past = entry.sign * (measure - entry.edge) > 0
    return {
        "player": player,
        "session": session,
        "context": context,
        "fault": fault,
        "n": float(len(measure)),
        "p": float(past.sum()),
        "n_measured": float(len(measure)),
        "measure": float(measure.sum()),
        "measure2": float((measure**2).sum()),
    }


def given(*rows: tuple[str, str], drill: str = DRILL, fault: str = FAULT) -> pd.DataFrame:
    """Assignments of ``(player, since)``."""
    return pd.DataFrame(
        [{"player": player, "drill": drill, "fault": fault, "since": since} for player, since in rows],
        columns=["player", "drill", "fault", "since"],
    )


class FakeGroup(NamedTuple):
    """A group of which the players who looked worst were given a drill."""

    sums: pd.DataFrame
    assigned: pd.DataFrame
    true_change: NDArray[np.float64]
    """What the drill changed in each assigned player, degrees, + worse."""
    naive: NDArray[np.float64]
    """After minus the session that made the coach choose."""


def fake_group(
    random: np.random.Generator,
    effect: float = -6.0,
    response: float = 2.0,
    players: int = 12,
    chosen: int = 6,
    sessions: int = 6,
    swings: int = 10,
    session_sd: float = 3.0,
    between_sd: float = 8.0,
    swing_sd: float = 4.0,
    trend_sd: float = 0.0,
    practice_boost: float = 0.0,
) -> FakeGroup:
    """Half of the sessions before the drill, half after. Who looks worst in the last session before gets it.

    With a `practice_boost` the chosen have a day of practice with feedback after the drill, on which that much more
    is gone than stays.
    """
    half = sessions // 2
    true = random.normal(random.normal(-5, 5), between_sd, players)
    means = true[:, None] + random.normal(0, session_sd, (players, sessions))
    noise = random.normal(0, swing_sd, (players, sessions, swings))
    picked = np.argsort(-(means[:, half - 1] + noise[:, half - 1].mean(axis=1)))[:chosen]
    change = random.normal(effect, response, chosen)
    means[:, half:] += random.normal(0, trend_sd)
    means[picked, half:] += change[:, None]
    measure = load_catalogue()[FAULT].edge + means[:, :, None] + noise
    names = [f"p{number:02d}" for number in range(players)]
    rows = [
        sums_of(names[who], day(when), measure[who, when])
        for who in range(players)
        for when in range(sessions)
    ]
    if practice_boost:
        rows += [
            sums_of(names[who], day(20), measure[who, half] - practice_boost, context="practice")
            for who in picked
        ]
    first = measure[picked, half - 1].mean(axis=1)
    return FakeGroup(
        sums=pd.DataFrame(rows),
        assigned=given(*((names[who], day(half - 1)) for who in picked)),
        true_change=change,
        naive=measure[picked, half:].mean(axis=(1, 2)) - first,
    )


def keep_given(store: Store, *given: Assignment) -> None:
    """Put drills given into a store as if care had been asked: where a test is of what comes after."""
    book = load_book()
    note_givings(store, [Giving(each, book[each.drill], "", asked=False) for each in given], date.today())
