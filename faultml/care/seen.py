"""Words of the roster about pain as things said on a day."""

from __future__ import annotations

from datetime import date, datetime
from typing import Final, NamedTuple

from faultml.care.body import Said, SaidKind
from faultml.recordings.roster_cells import PainKind, is_plain, read_pain

THE_COACH: Final = "the coach"
"""Who is taken to have written ``cleared`` into the roster, which names nobody."""

_KINDS: Final[dict[PainKind, SaidKind]] = {"none": "none", "returned": "return", "hurts": "hurts"}


class SeenCell(NamedTuple):
    """A text of a cell, the day it was first seen, and the day from which it is not there any more.

    `recorded_at` is when a store first saw it, None where none has: the file's own day may be set to anything.
    """

    text: str
    seen_on: date
    gone_on: date | None = None
    recorded_at: datetime | None = None


def said_in(cell: SeenCell) -> Said | None:
    """What a pain cell says; its own date goes before the day it was first seen. None where it says nothing.

    A day after that one had not come when it was written: ``none`` then says nothing, and a return that was to come
    says that until then something hurts.
    """
    read = read_pain(cell.text)
    if read.kind not in _KINDS:
        return None
    kind = _KINDS[read.kind]
    if read.said_on is not None and read.said_on > cell.seen_on and kind != "hurts":
        return Said(cell.seen_on, "hurts", recorded_at=cell.recorded_at) if kind == "return" else None
    return Said(
        on=read.said_on or cell.seen_on,
        kind=kind,
        where=read.said,
        red_flag=kind == "hurts" and not is_plain(read.said),
        by=THE_COACH if kind == "return" else "",
        role="coach" if kind == "return" else "",
        recorded_at=cell.recorded_at,
    )
