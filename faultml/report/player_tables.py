"""One player's rows of the results, gathered for the page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from faultml.channels import CHANNELS
from faultml.coaching.care import SEE_CLINICIAN
from faultml.coaching.closures import by_player
from faultml.report.source import ReportSource
from faultml.results.sessions import natural_key

Row = Mapping[str, Any]


@dataclass(frozen=True)
class PlayerTables:
    """One player's rows of the results.

    Attributes
    ----------
    name
        The player's id.
    faults
        Rows of ``players``, by fault.
    drills
        Rows of ``drills``, by rank.
    retests
        Rows of ``retests``.
    given
        Rows of ``outcomes``, in the order the drills were given.
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
    faults: Mapping[str, Row]
    drills: Sequence[Row]
    retests: Sequence[Row]
    given: Sequence[Row]
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
    def main_fault(self) -> Row | None:
        """The fault most worth working on; where none is worth a drill, the one that shows most."""
        faults = [row for row in self.faults.values() if row["kind"] == "fault"]
        leading = [row for row in self.faults.values() if row["leading"]]
        return max(leading or faults, key=lambda row: float(row["rate"]), default=None)

    @cached_property
    def first_drill(self) -> Row | None:
        """The row of the drill to work on next."""
        return next((row for row in self.drills if row["rank"] == 1), None)

    @property
    def waits_for_clinician(self) -> bool:
        """Whether care stops every drill."""
        return any(row["rank"] == 0 and row["reason"] == SEE_CLINICIAN for row in self.drills)

    @property
    def pain_not_asked(self) -> bool:
        """Whether there is a drill although nobody has said whether anything hurts."""
        return any(note.startswith("ask-pain: ") for row in self.drills for note in row["notes"])


def player_tables(source: ReportSource) -> list[PlayerTables]:
    """Every player of the season, in the order of their names."""
    players, drills = _records(source.players), _records(source.drills)
    faults, sessions = _frames(source.summary.faults), _frames(source.summary.sessions)
    curves, roster = _frames(source.curves), _records(source.roster)
    retests = _records(source.retests)
    given = {} if source.outcomes is None else _records(source.outcomes)
    closures = by_player(source.closures)
    return [
        PlayerTables(
            name=name,
            faults={str(row["fault"]): _known(row) for row in players[name]},
            drills=sorted(drills.get(name, []), key=lambda row: int(row["rank"])),
            retests=sorted(retests.get(name, []), key=lambda row: natural_key(str(row["session"]))),
            given=sorted(given.get(name, []), key=lambda row: natural_key(str(row["since"]))),
            roster=next(iter(roster.get(name, [])), {}),
            curves=curves.get(name, source.curves.iloc[:0]),
            fault_sums=faults.get(name, source.summary.faults.iloc[:0]),
            session_sums=sessions.get(name, source.summary.sessions.iloc[:0]),
            closure_sums=closures.get(name, {}),
        )
        for name in sorted(players, key=natural_key)
    ]


def _frames(frame: pd.DataFrame) -> dict[str, pd.DataFrame]:
    return {str(player): rows for player, rows in frame.groupby("player", sort=False)}


def _records(frame: pd.DataFrame) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = {}
    for row in frame.to_dict("records"):
        found.setdefault(str(row["player"]), []).append(row)
    return found


def _known(row: Row) -> Row:
    """The row with the answer to whether it explains the miss as true, false or None."""
    explains = row["explains_miss"]
    return {**row, "explains_miss": None if pd.isna(explains) else bool(explains)}
