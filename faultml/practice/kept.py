"""Sets in the coach's store: what was done with a sensor, beside the days of practice that the plan counts."""

from __future__ import annotations

from dataclasses import asdict
from datetime import date
from typing import Final

from sqlalchemy import REAL, Column, Integer, Table, Text, select

from faultml.care.known import Known
from faultml.coaching.book import DrillBook
from faultml.errors import InputError
from faultml.plan.practice import note_practice, practice_notes
from faultml.plan.records import PracticeNote
from faultml.practice.rules import load_practice_rules
from faultml.practice.sets import SetRecord
from faultml.store import METADATA, Store
from faultml.store.base import now
from faultml.store.people import forgotten

PRACTICE_SETS: Final = Table(
    "practice_sets",
    METADATA,
    *(Column(name, Text, primary_key=True) for name in ("player", "drill", "day")),
    Column("number", Integer, primary_key=True),
    Column("feedback_share", REAL, nullable=False),
    *(
        Column(name, Integer, nullable=False)
        for name in ("repetitions", "judged", "inside", "guesses", "guesses_right", "balls")
    ),
    Column("when", Text, nullable=False),
)
_COLUMNS: Final = tuple(SetRecord.__dataclass_fields__)


def keep_set(store: Store, done: SetRecord, planned: int, known: Known, book: DrillBook, today: date) -> None:
    """Keep a set, and count it for the plan where enough of its `planned` repetitions were made.

    The same set twice is kept once.

    Raises
    ------
    InputError
        As `faultml.plan.practice.note_practice`: nothing is noted of a player who is paused. The set itself is kept
        then.
    """
    with store.writing() as connection:
        if forgotten(connection, [done.player]):
            expected = "players who were not forgotten"
            raise InputError("forgotten-player", where=str(store.path), expected=expected, found=done.player)
        same = [PRACTICE_SETS.c[name] == getattr(done, name) for name in ("player", "drill", "day", "number")]
        if connection.execute(select(PRACTICE_SETS.c.number).where(*same)).first() is not None:
            return
        connection.execute(PRACTICE_SETS.insert(), [asdict(done) | {"when": now()}])
    counted = int(done.repetitions >= load_practice_rules().set.counts_from * planned)
    if not counted and not done.balls:
        return
    before = next(
        (
            each
            for each in practice_notes(store)
            if (each.player, each.drill, each.day) == (done.player, done.drill, done.day)
        ),
        PracticeNote(done.player, done.drill, done.day, 0, None),
    )
    if not before.sets + counted:
        return  # a day of practice has a set; balls alone stay with the set that is kept
    balls = (before.balls or 0) + done.balls
    note = PracticeNote(done.player, done.drill, done.day, before.sets + counted, balls or before.balls)
    note_practice(store, [note], known, book, today)


def kept_sets(store: Store, player: str, drill: str | None = None) -> list[SetRecord]:
    """A player's sets, of one drill or of all, in the order of time."""
    asked = (
        select(*(PRACTICE_SETS.c[name] for name in _COLUMNS))
        .where(PRACTICE_SETS.c.player == player)
        .order_by(PRACTICE_SETS.c.day, PRACTICE_SETS.c.number)
    )
    if drill is not None:
        asked = asked.where(PRACTICE_SETS.c.drill == drill)
    with store.reading() as connection:
        return [SetRecord(**row) for row in connection.execute(asked).mappings()]
