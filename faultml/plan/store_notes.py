"""What the coach's store holds that a plan rests on."""

from __future__ import annotations

from sqlalchemy import select

from faultml.outcomes.assignments import ASSIGNMENTS
from faultml.plan.evidence import GivenNote, StoreNotes
from faultml.plan.practice import baseline_notes, practice_notes
from faultml.store import Store


def read_notes(store: Store) -> StoreNotes:
    """Everything in the store that a plan rests on."""
    columns = [ASSIGNMENTS.c[name] for name in ("player", "drill", "fault", "since", "when")]
    with store.reading() as connection:
        rows = connection.execute(select(*columns)).all()
    return StoreNotes(
        given=tuple(GivenNote(*row) for row in rows),
        practice=tuple(practice_notes(store)),
        baselines=tuple(baseline_notes(store)),
    )
