"""One player's rows of the results, gathered for the page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from faultml.care.rules import STOPS
from faultml.channels import CHANNELS
from faultml.coaching.closures import by_player
from faultml.coaching.notes import Note
from faultml.coaching.records import NoDrill, PlayerDrill, PlayerFault
from faultml.coaching.retest import RetestResult
from faultml.plan.table import PlanRow
from faultml.report.source import ReportSource
from faultml.results.sessions import natural_key

Row = Mapping[str, Any]
"""A row of the roster or of ``outcomes``."""


@dataclass(frozen=True)
class PlayerTables:
    """One player's rows of the results.

    Attributes
    ----------
    name
        The player's id.
    faults
        The player's faults by their id, in catalogue order.
    drills, no_drill
        Drills by rank, or why there are none.
    retests
        The player's re-tests, in order of session.
    given
        Rows of ``outcomes``, in the order the drills were given.
    lesson
        Which drill the player is on; None without the coach's notes.
    roster
        The roster's row, empty where there is none.
    curves
        Rows of ``curves``.
    fault_sums, session_sums
        Rows of `Summary.faults` and `Summary.sessions`.
    closure_sums
        Sums of `sum_closures`, empty where no swing was assessed.
    """

    name: str
    faults: Mapping[str, PlayerFault]
    drills: Sequence[PlayerDrill]
    no_drill: NoDrill | None
    retests: Sequence[RetestResult]
    given: Sequence[Row]
    lesson: PlanRow | None
    roster: Row
    curves: pd.DataFrame
    fault_sums: pd.DataFrame
    session_sums: pd.DataFrame
    closure_sums: Mapping[str, float]

    @cached_property
    def swings(self) -> int:
        """Recorded swings."""
        return int(self.session_sums["n_swings"].sum())

    @cached_property
    def assessed(self) -> int:
        """Swings that could be assessed."""
        return int(self.session_sums["n_assessed"].sum())

    @cached_property
    def sessions(self) -> list[str]:
        """Sessions in order."""
        return sorted(self.session_sums["session"].unique(), key=natural_key)

    @cached_property
    def address_deg(self) -> NDArray[np.float64]:
        """``(3,)`` mean angles at address, NaN where not recorded."""
        sums = self.session_sums.sum(numeric_only=True)
        counts = [sums["n_pronation" if name == "pronation_deg" else "n_address"] for name in CHANNELS]
        means = [
            sums[f"address_{name}"] / n if n else np.nan for name, n in zip(CHANNELS, counts, strict=True)
        ]
        return np.array(means)

    @cached_property
    def main_fault(self) -> PlayerFault | None:
        """The fault most worth working on; where none is worth a drill, the one that shows most now."""
        faults = [row for row in self.faults.values() if row.kind == "fault"]
        leading = [row for row in self.faults.values() if row.leading]
        return max(leading or faults, key=lambda row: row.rate_now, default=None)

    @property
    def leading_fault(self) -> PlayerFault | None:
        """The fault most worth working on; None where none is worth a new drill."""
        main = self.main_fault
        return main if main is not None and main.leading else None

    @cached_property
    def first_drill(self) -> PlayerDrill | None:
        """The drill to work on next."""
        return self.drills[0] if self.drills else None

    @property
    def notes(self) -> list[Note]:
        """All notes on the player's drills, or on there being none."""
        rows = self.drills if self.no_drill is None else [self.no_drill]
        return [note for row in rows for note in row.notes]

    @property
    def paused(self) -> bool:
        """Whether care stops every drill."""
        return self.no_drill is not None and self.no_drill.reason in STOPS

    @property
    def pain_not_asked(self) -> bool:
        """Whether there is a drill although nobody has said whether anything hurts."""
        return any(note.code == "ask-pain" for note in self.notes)


def player_tables(source: ReportSource) -> list[PlayerTables]:
    """Every player of the season, in the order of their names."""
    faults, sessions = _frames(source.summary.faults), _frames(source.summary.sessions)
    curves, roster = _frames(source.curves), _records(source.roster)
    retests: dict[str, list[RetestResult]] = {}
    for result in source.retests:
        retests.setdefault(result.player, []).append(result)
    given = {} if source.outcomes is None else _records(source.outcomes)
    closures = by_player(source.closures)
    return [
        PlayerTables(
            name=plan.player,
            faults={fault.fault: fault for fault in plan.faults},
            drills=plan.drills,
            no_drill=plan.no_drill,
            retests=retests.get(plan.player, []),
            given=sorted(given.get(plan.player, []), key=lambda row: natural_key(str(row["since"]))),
            lesson=source.lessons.get(plan.player),
            roster=next(iter(roster.get(plan.player, [])), {}),
            curves=curves.get(plan.player, source.curves.iloc[:0]),
            fault_sums=faults.get(plan.player, source.summary.faults.iloc[:0]),
            session_sums=sessions.get(plan.player, source.summary.sessions.iloc[:0]),
            closure_sums=closures.get(plan.player, {}),
        )
        for plan in sorted(source.plans, key=lambda plan: natural_key(plan.player))
    ]


def _frames(frame: pd.DataFrame) -> dict[str, pd.DataFrame]:
    return {str(player): rows for player, rows in frame.groupby("player", sort=False)}


def _records(frame: pd.DataFrame) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = {}
    for row in frame.to_dict("records"):
        found.setdefault(str(row["player"]), []).append(row)
    return found
