"""What was practised, and when angles began anew: notes in the coach's store."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict
from datetime import date
from typing import Any, Final

from sqlalchemy import Column, Integer, Table, Text, and_, select
from sqlalchemy.dialects.sqlite import insert

from faultml.care.check import care_check, care_stop
from faultml.care.known import Known
from faultml.care.rules import load_care
from faultml.coaching.book import DrillBook
from faultml.errors import InputError
from faultml.plan.records import BaselineNote, PracticeNote
from faultml.store import METADATA, Store
from faultml.store.base import now
from faultml.store.people import forgotten

PRACTICE_DAYS: Final = Table(
    "practice_days",
    METADATA,
    Column("player", Text, primary_key=True),
    Column("drill", Text, primary_key=True),
    Column("day", Text, primary_key=True),
    Column("sets", Integer, nullable=False),
    Column("balls", Integer),
    Column("when", Text, nullable=False),
)

BASELINES: Final = Table(
    "baselines",
    METADATA,
    Column("player", Text, primary_key=True),
    Column("day", Text, primary_key=True),
    Column("why", Text, primary_key=True),
    Column("when", Text, nullable=False),
)


def note_practice(
    store: Store, notes: Iterable[PracticeNote], known: Known, book: DrillBook, today: date
) -> list[PracticeNote]:
    """Keep notes of practice; a day's later note takes the place of its earlier one.

    The care check is asked first: of a player who is paused no practice is noted.

    Parameters
    ----------
    known
        What is known of the players now.
    today
        The day of the check.

    Returns
    -------
    list of PracticeNote
        The notes that were replaced and said something else.

    Raises
    ------
    InputError
        ``forgotten-player``; a public reason of care, such as ``paused``.
    """
    notes = list(notes)
    for each in notes:
        _ask_care(each, known, book, today)
    rows = [asdict(each) | {"when": now()} for each in notes]
    if not rows:
        return []
    statement = insert(PRACTICE_DAYS)
    renewed = statement.on_conflict_do_update(
        index_elements=["player", "drill", "day"],
        set_={name: statement.excluded[name] for name in ("sets", "balls", "when")},
    )
    with store.writing() as connection:
        _refuse_forgotten(connection, store, rows)
        earlier = {}
        for row in rows:
            same = and_(*(PRACTICE_DAYS.c[name] == row[name] for name in ("player", "drill", "day")))
            for there in connection.execute(select(PRACTICE_DAYS).where(same)).mappings():
                earlier[row["player"], row["drill"], row["day"]] = there
        connection.execute(renewed, rows)
    said = [_practice_note(row) for row in rows]
    replaced = [
        _practice_note(earlier[key])
        for each in said
        if (key := (each.player, each.drill, each.day)) in earlier
    ]
    return [each for each in replaced if each not in said]


def remove_practice(store: Store, player: str, drill: str, day: str) -> None:
    """Take back a day's note; raises `InputError` (``no-such-practice``) where there is none."""
    same = and_(PRACTICE_DAYS.c.player == player, PRACTICE_DAYS.c.drill == drill, PRACTICE_DAYS.c.day == day)
    with store.writing() as connection:
        if not connection.execute(PRACTICE_DAYS.delete().where(same)).rowcount:
            raise InputError(
                "no-such-practice", where=player, expected="a day in the store", found=f"{drill} on {day}"
            )


def practice_notes(store: Store) -> list[PracticeNote]:
    """Every note of practice, in the order of time."""
    order = [PRACTICE_DAYS.c[name] for name in ("player", "day", "drill")]
    with store.reading() as connection:
        rows = connection.execute(select(PRACTICE_DAYS).order_by(*order)).mappings().all()
    return [_practice_note(row) for row in rows]


def note_baseline(store: Store, note: BaselineNote) -> bool:
    """Keep that a player's angles begin anew; whether that was new.

    Raises
    ------
    InputError
        ``forgotten-player``.
    """
    row = asdict(note) | {"when": now()}
    with store.writing() as connection:
        _refuse_forgotten(connection, store, [row])
        done = connection.execute(insert(BASELINES).on_conflict_do_nothing(), [row])
        return bool(done.rowcount)


def remove_baseline(store: Store, note: BaselineNote) -> None:
    """Take back such a note; raises `InputError` (``no-such-baseline``) where there is none."""
    same = and_(*(BASELINES.c[name] == value for name, value in asdict(note).items()))
    with store.writing() as connection:
        if not connection.execute(BASELINES.delete().where(same)).rowcount:
            raise InputError(
                "no-such-baseline",
                where=note.player,
                expected="one in the store",
                found=f"{note.why} on {note.day}",
            )


def baseline_notes(store: Store) -> list[BaselineNote]:
    """Every such note, in the order of time."""
    order = [BASELINES.c[name] for name in ("player", "day", "why")]
    with store.reading() as connection:
        rows = connection.execute(select(BASELINES).order_by(*order)).mappings().all()
    return [BaselineNote(row["player"], row["day"], row["why"]) for row in rows]


def _ask_care(note: PracticeNote, known: Known, book: DrillBook, today: date) -> None:
    rules, body = load_care(), known.body(note.player)
    reason = care_stop(body, today, rules)
    if not reason and note.drill in book:
        reason = care_check(book[note.drill].demands, body, today, rules).reason
    if reason:
        raise InputError(
            rules.reasons[reason].public,
            where=f"practised {note.player}",
            expected="a player and a drill that care allows: faultml players care",
            found=note.drill,
        )


def _practice_note(row: Any) -> PracticeNote:
    return PracticeNote(row["player"], row["drill"], row["day"], row["sets"], row["balls"])


def _refuse_forgotten(connection: Any, store: Store, rows: list[dict[str, Any]]) -> None:
    gone = forgotten(connection, (row["player"] for row in rows))
    if gone:
        expected = "players who were not forgotten"
        raise InputError("forgotten-player", where=str(store.path), expected=expected, found=min(gone))
