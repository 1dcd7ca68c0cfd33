"""What the page is made of: the season's sums and the small result tables, from a run or from its folder."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from faultml.coaching.rules import Coaching
from faultml.coaching.summary import Summary, merge, summarise
from faultml.report.closures import merge_closures, no_closures, sum_closures
from faultml.results import Results


@dataclass(frozen=True)
class ReportSource:
    """Everything a report needs to know of a season.

    Attributes
    ----------
    summary
        The season's sums.
    closures
        Merged `sum_closures` of the season.
    players, drills, retests, curves
        The result tables of these names.
    roster
        What `read_roster` gave, empty where there is none.
    outcomes
        The table of what drills have changed, None where none was given.
    run
        The content of ``run.json``, as far as it is there.
    """

    summary: Summary
    closures: pd.DataFrame
    players: pd.DataFrame
    drills: pd.DataFrame
    retests: pd.DataFrame
    curves: pd.DataFrame
    roster: pd.DataFrame
    outcomes: pd.DataFrame | None = None
    run: Mapping[str, Any] = field(default_factory=dict)


def read_source(results: Results, roster: pd.DataFrame, coaching: Coaching) -> ReportSource:
    """Read a results folder, the large tables a part at a time.

    Raises
    ------
    InputError
        Where a table is missing or damaged.
    """
    summary, closures = merge([]), no_closures()
    for swings, faults in results.batches():
        summary = merge([summary, summarise(swings, faults, coaching.catalogue)])
        closures = merge_closures([closures, sum_closures(swings)])
    return ReportSource(
        summary=summary,
        closures=closures,
        players=results.players,
        drills=results.drills,
        retests=results.retests,
        curves=results.curves,
        roster=roster,
        outcomes=results.outcomes,
        run=results.run,
    )
