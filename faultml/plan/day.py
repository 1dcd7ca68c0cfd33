"""The day that a plan, or a drill given, is for where none is named."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from typing import NamedTuple

from faultml.coaching.summary import read_summary
from faultml.plan.evidence import StoreNotes
from faultml.plan.rules import load_plan_rules
from faultml.results import Results
from faultml.results.sessions import session_date


class DefaultDay(NamedTuple):
    """The day, and what to say of it where it is not today."""

    day: dt.date
    words: str = ""


def default_day(sessions: Iterable[str], notes: StoreNotes | None, today: dt.date) -> DefaultDay:
    """Today while a season is under way; before it and long after it, the last day of which something is known.

    A season is under way from its last session, or the last note of the coach, for the ``live_days`` of ``plan.toml``.

    Parameters
    ----------
    sessions
        Labels of the season's sessions; those without a date do not count.
    notes
        The coach's notes; None where there are none.
    """
    notes = notes or StoreNotes()
    known = [*sessions, *(note.since for note in notes.given)]
    known += [note.day for note in notes.practice] + [note.day for note in notes.baselines]
    days = [day for label in known if (day := session_date(str(label))) is not None]
    if not days:
        return DefaultDay(today)
    last = max(days)
    if 0 <= (today - last).days <= load_plan_rules().day.live_days:
        return DefaultDay(today)
    return DefaultDay(last, f"{last.isoformat()} is the last day recorded or noted")


def day_of_results(results: Results, notes: StoreNotes | None, today: dt.date) -> DefaultDay:
    """`default_day` of a results folder; raises `InputError` where its sums are missing or damaged."""
    return default_day(read_summary(results).sessions["session"].unique(), notes, today)
