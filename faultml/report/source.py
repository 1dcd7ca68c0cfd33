"""What the page is made of: the season's sums and the small result tables, from a run or from its folder."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import pandas as pd

from faultml.coaching.rules import Coaching
from faultml.coaching.summary import Summary, summarise
from faultml.report.closures import sum_closures

if TYPE_CHECKING:
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
    players, drills, curves
        The result tables of these names.
    roster
        What `read_roster` gave, empty where there is none.
    run
        The content of ``run.json``, as far as it is there.
    """

    summary: Summary
    closures: pd.DataFrame
    players: pd.DataFrame
    drills: pd.DataFrame
    curves: pd.DataFrame
    roster: pd.DataFrame
    run: Mapping[str, Any] = field(default_factory=dict)


def read_source(results: Results, roster: pd.DataFrame, coaching: Coaching) -> ReportSource:
    """Read a results folder.

    Raises
    ------
    InputError
        Where a table is missing or damaged.
    """
    return ReportSource(
        summary=summarise(results.swings, results.faults, coaching.catalogue),
        closures=sum_closures(results.swings),
        players=results.players,
        drills=results.drills,
        curves=results.curves,
        roster=roster,
        run=results.run,
    )
