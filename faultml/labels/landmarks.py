"""Landmarks that a coach has moved on single swings: kept with who and when, used from then on, taken back one by one.

Rows are added and never changed. A move holds until it is taken back; taking back the last move of a swing brings back
what was there before it, an earlier move or what was found.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
from sqlalchemy import REAL, Column, Connection, Integer, Table, Text, insert, select

from faultml.channels import ID_COLUMNS
from faultml.errors import InputError
from faultml.motion.coach_landmarks import in_order
from faultml.recordings.corrections import MOVABLE, CoachLandmark, Landmark
from faultml.recordings.same_names import names_of
from faultml.results.sheets import write_sheet
from faultml.results.tables import Kind
from faultml.store import METADATA, Store
from faultml.store.base import now
from faultml.store.names import players_of
from faultml.store.people import forgotten

MOVE, UNDO = "move", "undo"
MAX_NAME: Final = 200

TABLE: Final = Table(
    "moved_landmarks",
    METADATA,
    Column("id", Integer, primary_key=True),
    *(Column(name, Text, nullable=False) for name in (*ID_COLUMNS, "landmark", "action")),
    *(Column(name, REAL, nullable=False) for name in ("at_s", "found_s")),
    *(Column(name, Text, nullable=False) for name in ("coach", "when")),
)

SHEET: Final[dict[str, Kind]] = {
    **dict.fromkeys((*ID_COLUMNS, "landmark"), "text"),
    **dict.fromkeys(("at_s", "found_s"), "number"),
    **dict.fromkeys(("coach", "when"), "text"),
}
"""Columns of an exported sheet."""

Swing = tuple[str, str, str]


@dataclass(frozen=True)
class MovedLandmark:
    """A landmark that a coach has moved.

    Attributes
    ----------
    player, session, swing
        The swing.
    landmark
        Which one.
    at_s, found_s
        Where it was put, and where it had been found, s on the recording's clock.
    coach, when
        Who moved it, and when (UTC, ISO 8601).
    """

    player: str
    session: str
    swing: str
    landmark: Landmark
    at_s: float
    found_s: float
    coach: str
    when: str = ""


@dataclass(frozen=True)
class SwingTimes:
    """A swing's landmarks as they are now, and the recording's ends, s on the recording's clock.

    Attributes
    ----------
    landmarks_s
        Takeaway, top, impact.
    first_s, last_s
        First and last recorded moment.
    """

    landmarks_s: tuple[float, float, float]
    first_s: float
    last_s: float


def check_move(times: SwingTimes, landmark: Landmark, at_s: float) -> None:
    """Raise where a landmark cannot be put at a moment.

    Raises
    ------
    InputError
        ``landmark-outside`` where the moment lies outside the recording, ``landmark-order`` where takeaway, top and
        impact would be out of order or nearer to each other than any swing's.
    """
    ends = f"{times.first_s:.3f} to {times.last_s:.3f} s"
    if not math.isfinite(at_s) or not times.first_s <= at_s <= times.last_s:
        raise InputError("landmark-outside", where=landmark, expected=ends, found=f"{at_s:.3f} s")
    moved = list(times.landmarks_s)
    moved[MOVABLE.index(landmark)] = at_s
    if not in_order(np.array([moved]), np.array([times.first_s]), np.array([times.last_s]))[0]:
        raise InputError(
            "landmark-order",
            where=landmark,
            expected="takeaway, top and impact in this order, at least 0.15 and 0.08 s apart",
            found=", ".join(f"{name} {at:.3f} s" for name, at in zip(MOVABLE, moved, strict=True)),
        )


def move_landmark(store: Store, moved: MovedLandmark, times: SwingTimes) -> None:
    """Keep a landmark where a coach has put it.

    Parameters
    ----------
    times
        The swing's landmarks as they are now.

    Raises
    ------
    InputError
        As `check_move`; ``name-needed`` where the coach has no name, ``forgotten-player``.
    """
    if not 0 < len(moved.coach.strip()) <= MAX_NAME:
        raise InputError("name-needed", where="coach", expected="the coach's name", found=moved.coach)
    check_move(times, moved.landmark, moved.at_s)
    with store.writing() as connection:
        if forgotten(connection, [moved.player]):
            raise InputError(
                "forgotten-player", where=moved.player, expected="a player who has not asked to be forgotten"
            )
        connection.execute(insert(TABLE), [{**vars(moved), "action": MOVE, "when": now()}])


def undo_landmark(store: Store, swing: Swing, coach: str) -> MovedLandmark | None:
    """Take back the last move on a swing that holds; None where there is none."""
    players = players_of(store)
    with store.writing() as connection:
        standing = _standing(_rows(connection, players, swing)).get(_named(swing, players), [])
        if not standing:
            return None
        last = standing[-1]
        connection.execute(insert(TABLE), [{**vars(last), "action": UNDO, "coach": coach, "when": now()}])
    return last


def moved_on(store: Store, swing: Swing) -> list[MovedLandmark]:
    """The moves on a swing that hold, in the order of time: of one landmark the last counts."""
    players = players_of(store)
    with store.reading() as connection:
        return _standing(_rows(connection, players, swing)).get(_named(swing, players), [])


def last_found(store: Store, swing: Swing) -> dict[Landmark, float]:
    """Where landmarks of a swing had been found before a coach moved them, also of those taken back since."""
    players = players_of(store)
    with store.reading() as connection:
        return {row["landmark"]: row["found_s"] for row in _rows(connection, players, swing)}


def all_moved(store: Store) -> list[MovedLandmark]:
    """Every landmark that holds as a coach has moved it, by player, session and swing."""
    players = players_of(store)
    with store.reading() as connection:
        standing = _standing(_rows(connection, players))
    return [
        each
        for _, moves in sorted(standing.items())
        for each in {each.landmark: each for each in moves}.values()
    ]


def moved_landmarks(store: Store) -> Iterator[CoachLandmark]:
    """The same as inputs of a season."""
    for each in all_moved(store):
        yield CoachLandmark(each.player, each.session, each.swing, each.landmark, each.at_s)


def export_landmarks(store: Store, path: Path) -> int:
    """Write every landmark that holds as a sheet (CSV); how many there are.

    Raises
    ------
    InputError
        ``not-writable``.
    """
    held = all_moved(store)
    frame = pd.DataFrame([vars(each) for each in held], columns=list(SHEET))
    write_sheet(frame.astype({"at_s": float, "found_s": float}), path, SHEET)
    return len(held)


def _named(swing: Swing, players: Mapping[str, str]) -> Swing:
    """A swing under the name of its player."""
    return players.get(swing[0], swing[0]), *swing[1:]


def _rows(
    connection: Connection, players: Mapping[str, str], swing: Swing | None = None
) -> list[dict[str, Any]]:
    """Rows in the order of time, each under the name of its player."""
    asked = select(TABLE).order_by(TABLE.c.id)
    if swing is not None:
        player, *ids = _named(swing, players)
        asked = asked.where(TABLE.c.player.in_(names_of(player, players)))
        asked = asked.where(
            *(TABLE.c[name] == value for name, value in zip(ID_COLUMNS[1:], ids, strict=True))
        )
    rows = connection.execute(asked).mappings().all()
    return [{**row, "player": players.get(row["player"], row["player"])} for row in rows]


def _standing(rows: Iterable[Mapping[str, Any]]) -> dict[Swing, list[MovedLandmark]]:
    """The moves of each swing that were not taken back."""
    held: dict[Swing, list[MovedLandmark]] = {}
    for row in rows:
        own = held.setdefault((row["player"], row["session"], row["swing"]), [])
        if row["action"] == MOVE:
            own.append(MovedLandmark(**{name: row[name] for name in MovedLandmark.__dataclass_fields__}))
        elif own:
            own.pop()
    return held
