"""Faults that a coach sees and the catalogue lacks: named, counted, exported, and what it takes to learn one."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pandas as pd
from sqlalchemy import Column, Integer, Table, Text, func, insert, select

from faultml.channels import ID_COLUMNS
from faultml.errors import InputError
from faultml.labels.rules import load_label_rules
from faultml.labels.verdict import RETRACT
from faultml.results.sheets import write_sheet
from faultml.results.tables import infer_schema
from faultml.store import METADATA, Store
from faultml.store.base import now
from faultml.store.names import players_of
from faultml.store.people import forgotten

MAX_NAME: Final = 60
MAX_NOTE: Final = 2000

TABLE: Final = Table(
    "other_faults",
    METADATA,
    Column("id", Integer, primary_key=True),
    *(
        Column(name, Text, nullable=False)
        for name in (*ID_COLUMNS, "name", "verdict", "note", "coach", "when")
    ),
)
COLUMNS: Final = (*ID_COLUMNS, "name", "note", "coach", "when")


@dataclass(frozen=True)
class OtherFault:
    """A fault outside the catalogue on one swing, under a name of the coach's own."""

    player: str
    session: str
    swing: str
    name: str
    coach: str
    note: str = ""


@dataclass(frozen=True)
class Named:
    """How often a coach's own fault was named: swings and golfers, and what is still needed to learn it."""

    name: str
    swings: int
    golfers: int
    needed_swings: int
    needed_golfers: int


def add_other(store: Store, fault: OtherFault, *, retract: bool = False) -> None:
    """Keep a fault that was named on a swing, or take it back.

    Raises
    ------
    InputError
        ``bad-name`` where the name is empty or too long, ``forgotten-player``.
    """
    name = " ".join(fault.name.split()).lower()
    if not 0 < len(name) <= MAX_NAME or not name.isprintable() or len(fault.note) > MAX_NOTE:
        raise InputError(
            "bad-name",
            expected=f"1 to {MAX_NAME} letters, a note of {MAX_NOTE} at most",
            found=name[:MAX_NAME],
        )
    row = {"player": fault.player, "session": fault.session, "swing": fault.swing, "name": name}
    row |= {"verdict": RETRACT if retract else "yes", "note": fault.note, "coach": fault.coach, "when": now()}
    with store.writing() as connection:
        if forgotten(connection, [fault.player]):
            raise InputError(
                "forgotten-player", where=fault.player, expected="a player who has not asked to be forgotten"
            )
        connection.execute(insert(TABLE).values(row))


def other_faults(store: Store) -> pd.DataFrame:
    """The faults that hold, in the order of time: `COLUMNS`, all text."""
    key = [TABLE.c[name] for name in (*ID_COLUMNS, "name", "coach")]
    latest = func.row_number().over(partition_by=key, order_by=TABLE.c.id.desc())
    ranked = select(TABLE).add_columns(latest.label("age")).subquery()
    asked = select(ranked).where(ranked.c.age == 1, ranked.c.verdict != RETRACT).order_by(ranked.c.id)
    players = players_of(store)
    with store.reading() as connection:
        rows = connection.execute(asked).mappings().all()
    return pd.DataFrame(
        [
            {**{name: row[name] for name in COLUMNS}, "player": players.get(row["player"], row["player"])}
            for row in rows
        ],
        columns=list(COLUMNS),
        dtype=str,
    )


def named_faults(store: Store) -> list[Named]:
    """Every fault that was named with its counts, the most frequent first."""
    rules = load_label_rules().other
    held = other_faults(store).drop_duplicates([*ID_COLUMNS, "name"])
    found = []
    for name, rows in held.groupby("name"):
        swings, golfers = len(rows), rows["player"].nunique()
        found.append(
            Named(
                str(name),
                swings,
                golfers,
                max(rules.min_swings - swings, 0),
                max(rules.min_golfers - golfers, 0),
            )
        )
    return sorted(found, key=lambda each: (-each.swings, each.name))


def named_line(named: Named) -> str:
    """How often a fault was named, and what it would take to learn it, in a line."""
    needed = [f"{named.needed_swings} more swing{_s(named.needed_swings)}"] if named.needed_swings else []
    if named.needed_golfers:
        needed.append(f"of {named.needed_golfers} more golfer{_s(named.needed_golfers)}")
    so_far = (
        f"{named.name}: {named.swings} swing{_s(named.swings)} of {named.golfers} golfer{_s(named.golfers)}"
    )
    if not needed:
        return f"{so_far}. Enough to look for a measure that tells them apart."
    return f"{so_far}; to learn it takes about {' '.join(needed)} (practice, no source)."


def _s(number: int) -> str:
    return "" if number == 1 else "s"


def export_others(store: Store, out: Path) -> int:
    """Write the faults that hold as a sheet (CSV); how many there are."""
    held = other_faults(store)
    write_sheet(held, out, infer_schema(held))
    return len(held)
