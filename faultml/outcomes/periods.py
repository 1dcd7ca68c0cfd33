"""The periods of a player's season: before a drill, while practising it, and after it without feedback."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd

from faultml.faults.catalogue import Fault
from faultml.outcomes.session_means import Bools, Floats, Ints, Sessions
from faultml.results.sessions import (
    COUNTING,
    natural_key,
    number_sessions,
    on_practice_days,
    session_date,
    session_day,
)

SUMS: Final = ("n", "p", "n_measured", "measure", "measure2")
SUM_COLUMNS: Final = ("player", "session", "context", "fault", *SUMS)
"""Columns `season_sessions` reads: per player, session, context and fault, the number of assessed swings, the sum of
the fault's probability ``p``, the number of measured swings, the sums of the measure and of its square."""


def season_sessions(sums: pd.DataFrame) -> pd.DataFrame:
    """A row a player, day and fault: `SUMS`, ``n_retest``, and whether it is ``practice`` or ``beside`` practice.

    Sessions of one day are one session, and named by the day. A day that holds practice with feedback does not tell
    what is left without it: its practice swings are kept as practice, and the others as ``beside``, for
    `rows_for` to choose from.
    """
    practice = sums["context"] == "practice"
    kept = sums[practice | sums["context"].isin(COUNTING)]
    days = {label: session_day(label) for label in kept["session"].unique()}
    marked = kept.assign(
        session=kept["session"].map(days),
        practice=kept["context"] == "practice",
        beside=(kept["context"] != "practice") & on_practice_days(kept, sums),
        n_retest=kept["n_measured"].where(kept["context"] == "retest", 0.0),
    )
    keys = ["player", "session", "fault", "practice", "beside"]
    return marked.groupby(keys, sort=True)[[*SUMS, "n_retest"]].sum().reset_index()


def rows_for(rows: pd.DataFrame, assigned: pd.DataFrame) -> pd.DataFrame:
    """The sessions that tell of some drills: of those beside practice only the ones of the day a drill was given.

    What was played on that day belongs before the drill, whichever of practice and play came first: a change that was
    there on the day the drill was given is not credited to it, and feedback on that day can only make the time before
    look better.

    Parameters
    ----------
    rows
        Of `season_sessions`, one fault's.
    assigned
        ``player``, ``since`` of drills given for it.
    """
    given = pd.MultiIndex.from_arrays([assigned["player"], assigned["since"].map(session_day)])
    own = pd.MultiIndex.from_frame(rows[["player", "session"]])
    return rows[~rows["beside"].to_numpy(bool) | own.isin(given)]


def is_after(session: str, since: str) -> bool:
    """Whether a session comes later than the day, or the session, of that name."""
    day, start = session_date(session), session_date(since)
    if day is not None and start is not None:
        return day > start
    return natural_key(session) > natural_key(since)


@dataclass(frozen=True)
class Periods:
    """The sessions of one fault, each in its period of the player's season.

    Attributes
    ----------
    rows
        Rows of `season_sessions`.
    players
        Ids by number.
    player, place, window
        Each row's player, place in the order of the player's sessions, and period: how many drills were given
        before; ``(n_rows,)``.
    n_windows
        Periods of the player with the most.
    owner, before, after
        Each assignment's player, and the periods before and after it, ``(n_assigned,)``.
    """

    rows: pd.DataFrame
    players: tuple[str, ...]
    player: Ints
    place: Floats
    window: Ints
    n_windows: int
    owner: Ints
    before: Ints
    after: Ints

    def take(self, rows: Bools) -> Periods:
        """Some of the sessions; players, places and periods keep their numbers."""
        return replace(
            self,
            rows=self.rows[rows],
            player=self.player[rows],
            place=self.place[rows],
            window=self.window[rows],
        )


def periods_of(rows: pd.DataFrame, assigned: pd.DataFrame) -> Periods:
    """Sort one fault's sessions into the periods that its assignments make.

    A period ends where the player's next drill for the same fault begins; two drills given on one day share
    theirs.

    Parameters
    ----------
    rows
        Of `season_sessions`, one fault's.
    assigned
        ``player``, ``since`` of each assignment for it.
    """
    codes, players = pd.factorize(pd.concat([rows["player"], assigned["player"]]), sort=True)
    player, owner = codes[: len(rows)], codes[len(rows) :]
    starts = {
        number: sorted(set(assigned["since"][owner == number]), key=natural_key) for number in set(owner)
    }
    n_windows = 1 + max((len(each) for each in starts.values()), default=0)
    window = np.array(
        [
            sum(is_after(session, since) for since in starts.get(number, ()))
            for number, session in zip(player, rows["session"], strict=True)
        ],
        dtype=np.int64,
    )
    before = np.array(
        [starts[number].index(since) for number, since in zip(owner, assigned["since"], strict=True)],
        dtype=np.int64,
    )
    return Periods(
        rows=rows,
        players=tuple(map(str, players)),
        player=player,
        place=number_sessions(rows).to_numpy(float),
        window=window,
        n_windows=n_windows,
        owner=owner,
        before=before,
        after=before + 1,
    )


def measured(periods: Periods, fault: Fault) -> Sessions:
    """Session means of the measure, degrees past the edge of the catalogue, + worse."""
    rows = periods.rows
    n = rows["n_measured"].to_numpy(float)
    safe = np.maximum(n, 1.0)
    mean = rows["measure"].to_numpy(float) / safe
    scatter = rows["measure2"].to_numpy(float) - safe * mean**2
    scale = to_degrees(fault)
    return Sessions(
        player=periods.player,
        place=periods.place,
        n=n,
        mean=fault.sign * scale * (mean - fault.edge),
        scatter=scale**2 * _not_below_zero(scatter),
    )


def shown(periods: Periods, per_share: float) -> Sessions:
    """Session means of how often the fault shows, times `per_share`.

    A swing shows it or does not: it is its own square, and so the squares add up to the sum.
    """
    n, yes = periods.rows["n"].to_numpy(float), periods.rows["p"].to_numpy(float)
    safe = np.maximum(n, 1.0)
    scatter = per_share**2 * _not_below_zero(yes - yes**2 / safe)
    return Sessions(periods.player, periods.place, n, per_share * yes / safe, scatter)


def to_degrees(fault: Fault) -> float:
    """Factor from the fault's own unit to degrees: 0.01 of the downswing counts as one degree."""
    return 1.0 if fault.unit == "deg" else 100.0


def _not_below_zero(values: Floats) -> Floats:
    """Without what rounding leaves."""
    return np.maximum(values, 0.0)
