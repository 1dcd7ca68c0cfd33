"""Plans for any day, from a results folder and the coach's notes."""

from __future__ import annotations

import datetime as dt

from faultml.care.known import Known
from faultml.coaching.care_now import drills_now
from faultml.coaching.rules import Coaching
from faultml.coaching.summary import read_summary
from faultml.plan.evidence import SeasonFacts, StoreNotes, moves_of
from faultml.plan.holds import care_holds
from faultml.plan.lesson import lesson_plans
from faultml.plan.table import PlanRow, player_rows, ranked_options
from faultml.results import Results
from faultml.results.sessions import session_date


def plans_of_results(
    results: Results, notes: StoreNotes, known: Known, coaching: Coaching, day: dt.date, today: dt.date
) -> list[PlanRow]:
    """Every player's plan on a day.

    What may be started next is the ranking of the results as care has it today: it is named only for days on or after
    their last session, since it rests on all of them.

    Parameters
    ----------
    known
        Roster and statements, see `faultml.care.known.known_of_run`.
    day
        The day for which the plan is asked.
    today
        The day of the care check.

    Raises
    ------
    InputError
        Where a table is missing or damaged.
    """
    sums = read_summary(results)
    facts = SeasonFacts(sums.faults, sums.sessions, moves_of(results.run.get("address_drift", [])))
    holds = care_holds(known, notes, coaching.book, day, today)
    plans = lesson_plans(notes, facts, coaching, day, holds=holds)
    sessions = [when for label in sums.sessions["session"].unique() if (when := session_date(label))]
    if day < max(sessions, default=day):
        return player_rows(plans, day, {})
    drills = drills_now(results.players, results.drills, known, coaching, today)
    return player_rows(plans, day, ranked_options(drills))
