"""What the page is made of: the season's sums and the small result tables, from a run or from its folder."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import Any

import pandas as pd
import pyarrow as pa

from faultml.care.known import Known
from faultml.coaching.care_now import plan_now
from faultml.coaching.records import PlayerPlan
from faultml.coaching.retest import RetestResult, read_retests
from faultml.coaching.rules import Coaching
from faultml.coaching.summary import Summary, read_summary
from faultml.coaching.tables import read_plans
from faultml.plan.evidence import StoreNotes
from faultml.plan.followed import drills_followed
from faultml.plan.of_results import plans_now
from faultml.plan.table import PlanRow
from faultml.results import Results


@dataclass(frozen=True)
class ReportSource:
    """Everything a report needs to know of a season.

    Attributes
    ----------
    summary
        The season's sums.
    closures
        `sum_closures` of the season, added up.
    plans, retests
        Every player's faults and drills, and all re-tests in order of session.
    curves
        The result table of this name.
    roster
        What `read_roster` gave, empty where there is none.
    outcomes
        The table of what drills have changed, None where none was given.
    lessons
        Player -> which drill they are on; empty without the coach's notes.
    run
        The content of ``run.json``, as far as it is there.
    drawn
        When all this was known, as the page shows it; "" where that is not stated.
    """

    summary: Summary
    closures: pa.Table
    plans: Sequence[PlayerPlan]
    retests: Sequence[RetestResult]
    curves: pd.DataFrame
    roster: pd.DataFrame
    outcomes: pd.DataFrame | None = None
    lessons: Mapping[str, PlanRow] = field(default_factory=dict)
    run: Mapping[str, Any] = field(default_factory=dict)
    drawn: str = ""


def read_source(
    results: Results, known: Known, coaching: Coaching, on: date, notes: StoreNotes | None = None
) -> ReportSource:
    """Read a results folder: its sums and small tables, never the swings; the care check is asked again.

    Parameters
    ----------
    results
        The folder.
    known
        What is known of everybody now, see `faultml.care.known.known_of_run`.
    coaching
        Catalogue, drill book and rules.
    on
        The day of the care check.
    notes
        What the coach has noted; where not given, plans are those of the results.

    Raises
    ------
    InputError
        Where a table is missing or damaged.
    """
    plans = read_plans(results.players, results.drills)
    lessons = plans_now(results, notes, known, coaching, on)
    return ReportSource(
        summary=read_summary(results),
        closures=results.sums("closures"),
        plans=[
            drills_followed(plan_now(plan, known.body(plan.player), coaching, on), lessons.get(plan.player))
            for plan in plans
        ],
        retests=read_retests(results.retests),
        curves=results.curves,
        roster=known.roster,
        outcomes=results.outcomes,
        lessons=lessons,
        run=results.run,
        drawn=f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC",
    )
