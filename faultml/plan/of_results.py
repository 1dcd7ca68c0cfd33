"""Plans for any day, from a results folder and the coach's notes."""

from __future__ import annotations

import datetime as dt

from faultml.care.known import Known
from faultml.coaching.care_now import drills_now
from faultml.coaching.rules import Coaching
from faultml.coaching.summary import read_summary
from faultml.plan.day import day_of_results
from faultml.plan.evidence import SeasonFacts, StoreNotes, moves_of
from faultml.plan.holds import care_holds, row_now
from faultml.plan.lesson import lesson_plans
from faultml.plan.shown import season_says, shown_rows
from faultml.plan.table import PlanRow, player_rows, ranked_options, read_plan_rows
from faultml.results import Results


def plans_of_results(
    results: Results,
    notes: StoreNotes,
    known: Known,
    coaching: Coaching,
    day: dt.date | None,
    today: dt.date,
) -> list[PlanRow]:
    """Every player's plan on a day.

    What may be started next is the ranking of the results as care has it today. It is named only for days on or after
    their last session, since it rests on all of them; for earlier days the rows say so.

    Parameters
    ----------
    known
        Roster and statements, see `faultml.care.known.known_of_run`.
    day
        The day for which the plan is asked; where it is None, `day_of_results`, with what care says today.
    today
        The day of the care check.

    Raises
    ------
    InputError
        Where a table is missing or damaged.
    """
    sums, on = read_summary(results), day or day_of_results(results, notes, today).day
    facts = SeasonFacts(sums.faults, sums.sessions, moves_of(results.run.get("address_drift", [])))
    holds = care_holds(known, notes, coaching.book, on, today)
    plans = lesson_plans(notes, facts, coaching, on, holds=holds)
    says = season_says(results.drills, sums.sessions["session"].unique(), notes)
    drills = drills_now(results.players, results.drills, known, coaching, today)
    rows = player_rows(plans, on, ranked_options(drills), says.last or on)
    return shown_rows(rows, says, known, coaching, today, named=day is not None)


def plans_now(
    results: Results, notes: StoreNotes | None, known: Known, coaching: Coaching, today: dt.date
) -> dict[str, PlanRow]:
    """Every player's plan on the default day; without notes those that the results hold, as care has them now.

    Parameters and errors are those of `plans_of_results`.
    """
    if notes is None:
        rows = read_plan_rows(results.plans)
        return {
            player: row_now(row, known.body(player), coaching.book, today) for player, row in rows.items()
        }
    return {row.player: row for row in plans_of_results(results, notes, known, coaching, None, today)}
