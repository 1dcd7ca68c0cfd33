"""What the coach's store holds that a plan rests on."""

from __future__ import annotations

from dataclasses import replace
from typing import TypeVar

from sqlalchemy import select

from faultml.outcomes.assignments import ASSIGNMENTS
from faultml.plan.evidence import GivenNote, StoreNotes
from faultml.plan.practice import baseline_notes, practice_notes
from faultml.plan.records import BaselineNote, PracticeNote
from faultml.store import Store
from faultml.store.names import players_of

Note = TypeVar("Note", GivenNote, PracticeNote, BaselineNote)


def read_notes(store: Store) -> StoreNotes:
    """Everything in the store that a plan rests on."""
    columns = [ASSIGNMENTS.c[name] for name in ("player", "drill", "fault", "since", "when")]
    with store.reading() as connection:
        rows = connection.execute(select(*columns)).all()
    players = players_of(store)

    def under(note: Note) -> Note:
        player = players.get(note.player, note.player)
        return note if player == note.player else replace(note, player=player)

    return StoreNotes(
        given=tuple(under(GivenNote(*row)) for row in rows),
        practice=tuple(map(under, practice_notes(store))),
        baselines=tuple(map(under, baseline_notes(store))),
    )
