"""The tables ``players``, ``drills`` and ``retests``, written from the records and read back into them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final, TypeVar

import msgspec
import pandas as pd

from faultml.coaching.notes import Note, note_text
from faultml.coaching.records import NoDrill, PlayerDrill, PlayerFault, PlayerPlan, records_of
from faultml.coaching.rules import Coaching
from faultml.errors import InputError
from faultml.rules_file import Record

PLAYER_COLUMNS: Final = [
    "player", "fault", "kind", "leading", "swings", "sessions", "flagged", "rate", "rate_lo", "rate_hi",
    "swings_now", "sessions_now", "flagged_now", "rate_now", "rate_now_lo", "rate_now_hi",
    "severity", "severity_sd", "severity_now", "unit", "measure", "spread", "measure_now",
    "edge", "edge_owner", "onset_phase", "onset_at",
    "trend", "trend_change", "trend_lo", "trend_hi", "explains_miss", "explains", "miss",
    "miss_balls", "straight_balls", "known_balls", "usual_miss",
    "fit", "fit_balls", "fit_rate", "fit_others", "fit_others_rate",
    "confidence", "notes", "note_data", "warnings",
]  # fmt: skip
DRILL_COLUMNS: Final = [
    "player", "rank", "drill", "priority", "care", "confidence", "notes", "note_data", "faults",
    "window_fault", "window_channel", "window_reference", "window_from", "window_to", "window_must", "window_side",
    "window_bound_deg", "window_guard_deg", "window_max_sd",
    "dose", "retest", "retest_due", "reason",
]  # fmt: skip

Kind = TypeVar("Kind", bound=Record)
Row = dict[str, object]
"""Cells of one table row; they live between a record and its frame only."""


def players_frame(plans: Iterable[PlayerPlan], coaching: Coaching) -> pd.DataFrame:
    """The table ``players``: a row a player and fault."""
    rows = [
        msgspec.structs.asdict(fault) | _note_cells(fault.notes, coaching)
        for plan in plans
        for fault in plan.faults
    ]
    return pd.DataFrame(rows, columns=PLAYER_COLUMNS).astype({"explains_miss": "boolean", "leading": bool})


def drills_frame(plans: Iterable[PlayerPlan], coaching: Coaching) -> pd.DataFrame:
    """The table ``drills``: a row a player and drill, one of rank 0 where a player has none."""
    numbers = ("priority", "window_bound_deg", "window_guard_deg", "window_max_sd")
    blank = dict.fromkeys(DRILL_COLUMNS, "") | dict.fromkeys(numbers, float("nan"))
    rows: list[Row] = []
    for plan in plans:
        entries = plan.drills if plan.no_drill is None else (plan.no_drill,)
        rows += [
            blank | {"rank": 0} | msgspec.structs.asdict(entry) | _note_cells(entry.notes, coaching)
            for entry in entries
        ]
    frame = pd.DataFrame(rows, columns=DRILL_COLUMNS)
    return frame.astype({"rank": int} | dict.fromkeys(numbers, float))


def read_plans(players: pd.DataFrame, drills: pd.DataFrame) -> list[PlayerPlan]:
    """Every player's plan from the tables ``players`` and ``drills``, in the order of ``players``.

    Raises
    ------
    InputError
        ``damaged-results`` where a cell does not fit its record.
    """
    faults: dict[str, list[PlayerFault]] = {}
    for fault in _records(_with_notes(players), PlayerFault, "players"):
        faults.setdefault(fault.player, []).append(fault)
    table = _with_notes(drills)
    given = (table["rank"] > 0).to_numpy(bool)
    chosen: dict[str, list[PlayerDrill]] = {}
    for drill in _records(table[given], PlayerDrill, "drills"):
        chosen.setdefault(drill.player, []).append(drill)
    without = {each.player: each for each in _records(table[~given], NoDrill, "drills")}
    return [
        PlayerPlan(
            player=player,
            faults=tuple(rows),
            drills=tuple(sorted(chosen.get(player, ()), key=lambda drill: drill.rank)),
            no_drill=without.get(player),
        )
        for player, rows in faults.items()
    ]


def _records(frame: pd.DataFrame, kind: type[Kind], table: str) -> list[Kind]:
    try:
        return records_of(frame, kind)
    except msgspec.MsgspecError as error:
        raise InputError(
            "damaged-results", where=table, expected="a table of faultml", found=str(error)
        ) from error


def _note_cells(notes: Sequence[Note], coaching: Coaching) -> Row:
    """Notes as a person reads them, and as data."""
    return {
        "notes": [f"{note.code}: {note_text(note, coaching)}" for note in notes],
        "note_data": [msgspec.json.encode(note).decode() for note in notes],
    }


def _with_notes(frame: pd.DataFrame) -> pd.DataFrame:
    """The frame with its notes as data."""
    if "note_data" not in frame:
        raise InputError(
            "damaged-results",
            where="notes",
            expected="a column note_data",
            found="results of an older version",
        )
    return frame.assign(notes=[[msgspec.json.decode(cell) for cell in cells] for cells in frame["note_data"]])
