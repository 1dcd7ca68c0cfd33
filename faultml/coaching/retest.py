"""Re-tests: swings without feedback, on a later day, that show whether a change held."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from typing import Final

import pandas as pd

from faultml.coaching.book import Drill, Retest
from faultml.coaching.records import records_of
from faultml.coaching.rules import Coaching
from faultml.coaching.summary import Summary
from faultml.results.sessions import COUNTING, natural_key, number_sessions, on_practice_days, session_date
from faultml.rules_file import Record

COLUMNS: Final = [
    "player", "fault", "session", "swings", "inside", "share", "needed", "later_day", "passed",
    "rate_before", "later_swings", "later_inside", "held",
]  # fmt: skip


class RetestResult(Record, frozen=True):
    """One session's re-test swings for one fault: a row of `retest_results`.

    `held` and `rate_before` are None and NaN where nothing can be said.
    """

    player: str
    fault: str
    session: str
    swings: int
    inside: int
    share: float
    needed: float
    later_day: bool
    passed: bool
    rate_before: float
    later_swings: int
    later_inside: int
    held: bool | None


def retest_results(summary: Summary, coaching: Coaching) -> pd.DataFrame:
    """Every session's re-test swings, fault by fault.

    Returns
    -------
    DataFrame
        ``player, fault, session``, the measured re-test ``swings``, those ``inside`` the corridor, their
        ``share``, the share ``needed`` (that of the drill which serves the fault best), ``later_day``
        (false where the session also holds practice with feedback) and ``passed``: enough inside, ten
        swings or more, on a later day. ``rate_before`` is the share of swings that showed the fault in
        sessions before it, NaN where there is none. ``later_swings`` and ``later_inside`` count the swings
        without feedback of all later sessions; ``held`` says of a passed one whether enough of those are
        inside, NA where it did not pass or fewer than ten came later.
    """
    rows = summary.faults[summary.faults["context"] == "retest"]
    rows = rows[(rows["n_measured"] > 0) & rows["fault"].isin(coaching.catalogue.ids)]
    needs = {fault: _best_drill(fault, coaching).retest for fault in coaching.catalogue.ids}
    table = rows[["player", "fault", "session"]].assign(
        swings=rows["n_measured"].astype(int),
        inside=rows["n_inside"].astype(int),
        share=rows["n_inside"] / rows["n_measured"],
        needed=rows["fault"].map({fault: need.share for fault, need in needs.items()}).astype(float),
        later_day=~on_practice_days(rows, summary.sessions),
    )
    enough = table["swings"] >= rows["fault"].map({fault: need.of for fault, need in needs.items()}).astype(
        float
    )
    table = table.assign(passed=enough & table["later_day"] & (table["share"] >= table["needed"]))
    return _with_the_time_around(table.reset_index(drop=True), summary, needs)


def _with_the_time_around(table: pd.DataFrame, summary: Summary, needs: Mapping[str, Retest]) -> pd.DataFrame:
    """Add what the sessions before and after each re-test say of its fault, days with practice left out."""
    free = summary.faults[summary.faults["context"].isin(COUNTING)]
    free = free[~on_practice_days(free, summary.sessions)]
    order = number_sessions(summary.sessions)
    places = summary.sessions[["player", "session"]].assign(place=order).drop_duplicates()
    sums = free[["player", "fault", "session", "n", "p", "n_measured", "n_inside"]].merge(places)
    marked = table[["player", "fault", "session"]].assign(row=table.index).merge(places)
    around = marked.merge(sums, on=["player", "fault"], suffixes=("", "_other"))
    figures = ["n", "p", "n_measured", "n_inside"]

    def total(rows: pd.DataFrame) -> pd.DataFrame:
        return rows.groupby("row")[figures].sum().reindex(table.index, fill_value=0)

    before = total(around[around["place_other"] < around["place"]])
    after = total(around[around["place_other"] > around["place"]])
    least = table["fault"].map({fault: need.of for fault, need in needs.items()}).astype(float)
    measured = table["passed"] & (after["n_measured"] >= least)
    held = (after["n_inside"] >= table["needed"] * after["n_measured"]).astype("boolean")
    return table.assign(
        rate_before=before["p"].astype(float) / before["n"].astype(float).replace(0.0, float("nan")),
        later_swings=after["n_measured"].astype(int),
        later_inside=after["n_inside"].astype(int),
        held=held.where(measured),
    )[COLUMNS]


def read_retests(frame: pd.DataFrame) -> list[RetestResult]:
    """The table ``retests`` as records, by player, each player's in order of session."""
    rows = records_of(frame, RetestResult)
    return sorted(rows, key=lambda row: (row.player, natural_key(row.session)))


def latest(results: Iterable[RetestResult]) -> dict[str, RetestResult]:
    """Of one player's re-tests in order, the last of each fault."""
    return {row.fault: row for row in results}


def due(drill: Drill, sessions: Iterable[str]) -> dt.date | None:
    """When the drill's re-test is due: so many days after the last session, where its label is a date."""
    dates = [date for date in map(session_date, sessions) if date is not None]
    return max(dates) + dt.timedelta(days=drill.retest.after_days) if dates else None


def _best_drill(fault: str, coaching: Coaching) -> Drill:
    serving = {drill: served[fault] for drill, served in coaching.serving.items() if fault in served}
    return coaching.book[max(serving, key=lambda drill: serving[drill])]
