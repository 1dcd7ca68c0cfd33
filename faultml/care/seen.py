"""Words of the roster about pain as things said on a day."""

from __future__ import annotations

from datetime import date
from typing import Final, NamedTuple

from faultml.care.body import Said, SaidKind
from faultml.recordings.roster_cells import PainKind, has_red_flag, read_pain

THE_COACH: Final = "the coach"
"""Who is taken to have written ``cleared`` into the roster, which names nobody."""

_KINDS: Final[dict[PainKind, SaidKind]] = {"none": "none", "returned": "return", "hurts": "hurts"}


class SeenCell(NamedTuple):
    """A text of a pain cell, the day it was first seen, and whether it is there still."""

    text: str
    seen_on: date
    still: bool = True


def said_in(cell: SeenCell) -> Said | None:
    """What a pain cell says; its own date goes before the day it was first seen. None where it says nothing."""
    read = read_pain(cell.text)
    if read.kind not in _KINDS:
        return None
    kind = _KINDS[read.kind]
    return Said(
        on=read.said_on or cell.seen_on,
        kind=kind,
        where=read.said,
        red_flag=kind == "hurts" and has_red_flag(read.said),
        by=THE_COACH if kind == "return" else "",
        role="coach" if kind == "return" else "",
    )
