"""Drills that were given: who, which, for which fault, from when on. Kept in the coach's store, and as a sheet.

They are noted by `faultml.coaching.giving.note_givings` alone, after the care check.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Final

import pandas as pd
from sqlalchemy import Column, Integer, Table, Text, and_, select

from faultml.errors import InputError
from faultml.results.sheets import write_sheet
from faultml.results.tables import Kind
from faultml.store import METADATA, Store
from faultml.store.names import players_of

ASSIGNMENTS: Final = Table(
    "assignments",
    METADATA,
    Column("player", Text, primary_key=True),
    Column("drill", Text, primary_key=True),
    Column("fault", Text, primary_key=True),
    Column("since", Text, primary_key=True),
    Column("balls_a_week", Integer),
    Column("when", Text, nullable=False),
)

SHEET: Final[dict[str, Kind]] = {
    **dict.fromkeys(("player", "drill", "fault", "since"), "text"),
    "balls_a_week": "whole",
}
"""Columns of a sheet of assignments. An empty fault is what the drill is for in the first place."""

KEYS: Final = ("player", "drill", "fault", "since")
"""What tells one drill that was given from another."""

Strengths = Mapping[str, Mapping[str, float]]
"""Drill -> fault -> the share of it the drill may be hoped to take away."""


@dataclass(frozen=True)
class Assignment:
    """A drill that was given.

    Attributes
    ----------
    player, drill, fault
        Ids.
    since
        ISO date, or the name of a session: what comes later is after it.
    balls_a_week
        How much is to be practised; None where nothing was said.
    """

    player: str
    drill: str
    fault: str
    since: str
    balls_a_week: int | None = None


def remove_assignment(store: Store, given: Assignment) -> None:
    """Take back an assignment noted by mistake.

    Raises
    ------
    InputError
        ``no-such-assignment``.
    """
    same = and_(*(ASSIGNMENTS.c[name] == getattr(given, name) for name in KEYS))
    with store.writing() as connection:
        if not connection.execute(ASSIGNMENTS.delete().where(same)).rowcount:
            found = f"{given.drill} for {given.fault} from {given.since}"
            raise InputError(
                "no-such-assignment", where=given.player, expected="one in the store", found=found
            )


def assignments(store: Store) -> pd.DataFrame:
    """Every drill that was given, in the order of time: the columns of `SHEET`."""
    order = [ASSIGNMENTS.c[name] for name in ("player", "since", "drill", "fault")]
    with store.reading() as connection:
        rows = connection.execute(select(ASSIGNMENTS).order_by(*order)).mappings().all()
    players = players_of(store)
    given = [Assignment(**{name: row[name] for name in SHEET}) for row in rows]
    return as_frame(replace(each, player=players.get(each.player, each.player)) for each in given)


def as_frame(given: Iterable[Assignment]) -> pd.DataFrame:
    """Assignments as a frame with the columns of `SHEET`."""
    frame = pd.DataFrame([asdict(each) for each in given], columns=list(SHEET))
    return frame.astype(dict.fromkeys(KEYS, "str") | {"balls_a_week": "Int64"})


def main_fault(drill: str, strengths: Strengths, catalogue_ids: Collection[str]) -> str:
    """What a drill is for in the first place, of the faults whose change can be followed; "" where it is for none."""
    followed = {fault: each for fault, each in strengths.get(drill, {}).items() if fault in catalogue_ids}
    return max(followed, key=lambda fault: followed[fault]) if followed else ""


def check_assignment(
    cells: Mapping[str, str], strengths: Strengths, catalogue_ids: Collection[str]
) -> Assignment | list[tuple[str, str, str]]:
    """Read an assignment from text.

    Parameters
    ----------
    cells
        ``player, drill, fault, since, balls_a_week`` as written, "" where nothing was said.
    strengths
        All drills, and what they are for.
    catalogue_ids
        Faults whose change can be followed.

    Returns
    -------
    Assignment or list
        Else what is wrong: column, what was expected, what was found.
    """
    row = {name: cells.get(name, "").strip() for name in SHEET}
    fault = row["fault"] or main_fault(row["drill"], strengths, catalogue_ids)
    balls = row["balls_a_week"]
    wrong = [
        (name, expected, row[name])
        for name, right, expected in (
            ("player", row["player"] != "", "a player's id"),
            ("drill", row["drill"] in strengths, "a drill of the book: see faultml catalogue"),
            ("fault", fault in catalogue_ids or row["drill"] not in strengths, "a fault of single swings"),
            ("since", row["since"] != "", "a date such as 2031-04-05, or a session's name"),
            (
                "balls_a_week",
                not balls or (balls.isascii() and balls.isdecimal() and 0 < int(balls) < 100_000),
                "a number of balls",
            ),
        )
        if not right
    ]
    if wrong:
        return wrong
    return Assignment(row["player"], row["drill"], fault, row["since"], int(balls) if balls else None)


def write_assignments(given: pd.DataFrame, path: Path) -> None:
    """Write them as a sheet that `faultml assign --import` reads back, whole or not at all."""
    write_sheet(given, path, SHEET)
