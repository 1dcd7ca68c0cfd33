"""Plans as they are shown: with what care says now, what the season says of the fault, and days of one calendar."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final

import msgspec
import pandas as pd

from faultml.care.check import care_stop
from faultml.care.known import Known
from faultml.care.rules import load_care
from faultml.coaching.met import MET_MEANWHILE
from faultml.coaching.notes import WEAK, Note, note_text
from faultml.coaching.rules import Coaching
from faultml.plan.evidence import StoreNotes
from faultml.plan.holds import asked_first, row_now
from faultml.plan.table import PlanRow
from faultml.results.sessions import session_date

SAID_BY_PLAN: Final = ("seldom-now", "style-now", "not-assessed-now", MET_MEANWHILE)
"""Codes of the notes on a drill in progress that the plan says itself: a bare "carry on" would hide them."""


@dataclass(frozen=True)
class SeasonSays:
    """What the season, as it was classified, says beside the plans.

    Attributes
    ----------
    first, last
        Days of its first and its last session; None where none has a date. Notes of the coach count as sessions
        for `first`.
    carried
        (player, first drill) -> its notes of `SAID_BY_PLAN`, and that there is too little in it to train.
    """

    first: dt.date | None = None
    last: dt.date | None = None
    carried: Mapping[tuple[str, str], tuple[Note, ...]] = field(default_factory=dict)


def season_says(drills: pd.DataFrame, sessions: Iterable[str], notes: StoreNotes) -> SeasonSays:
    """Read it from the table ``drills``, the labels of the sessions and the coach's notes."""
    days = sorted(day for label in sessions if (day := session_date(label)) is not None)
    given = [day for note in notes.given if (day := session_date(note.since)) is not None]
    carried = {}
    for row in drills[drills["rank"] == 1].itertuples():
        said = [msgspec.json.decode(cell, type=Note) for cell in row.note_data]
        carried[row.player, row.drill] = tuple(note for note in said if note.code in (*SAID_BY_PLAN, WEAK))
    return SeasonSays(min([*days[:1], *given], default=None), days[-1] if days else None, carried)


def shown_rows(
    rows: Iterable[PlanRow],
    says: SeasonSays,
    known: Known,
    coaching: Coaching,
    today: dt.date,
    *,
    named: bool,
) -> list[PlanRow]:
    """Rows of one day as they are shown.

    Parameters
    ----------
    today
        The day of the care check. Where the day of the rows is over, care of today counts in its place.
    named
        Whether somebody asked for the day: then the rows stay what was to be done on it, and `ask` says that the player
        is paused today.
    """
    return [_shown(row, says, known, coaching, today, named) for row in rows]


def _shown(
    row: PlanRow, says: SeasonSays, known: Known, coaching: Coaching, today: dt.date, named: bool
) -> PlanRow:
    body, book, care = known.body(row.player), coaching.book, load_care()
    over = row.on < today.isoformat()
    asked = row_now if over and not named else asked_first
    row = asked(row, body, book, today)
    if over and named and (stop := care_stop(body, today, care)):
        row = msgspec.structs.replace(row, ask=(care.reasons[stop].public,))
    if row.state == "waits" and says.first is not None and row.since < says.first.isoformat():
        row = msgspec.structs.replace(row, since="")  # it was there before anything else of the season
    if row.state in ("carry on", "start") and (says.last is None or row.on >= says.last.isoformat()):
        notes = says.carried.get((row.player, row.drill), ())
        words = " ".join([row.words, *(note_text(note, coaching) for note in notes)])
        row = msgspec.structs.replace(row, words=words)
    return row
