"""What the care check's answer adds to a drill: notes that anybody may read."""

from __future__ import annotations

from typing import Final

from faultml.care.check import CareAnswer
from faultml.coaching.notes import Note, write

ASKED_ANEW: Final = frozenset({"ask-pain", "ask-age", "ask-level", "ask-history", "half-dose"})
"""Codes that hold for a day and are written anew by each check. Hard mats rest on the balls of the season too."""
_OWN_WORDS: Final = ("ask-pain", "ask-age", "ask-level")


def care_notes(answer: CareAnswer) -> list[Note]:
    """What to ask before the drill is given, how far its dose is cut and for how long, and where to practise."""
    notes = [write(code) for code in ask_codes(answer)]
    if answer.halved:
        notes.append(write("half-dose"))
    return notes + ([write("no-hard-mats")] if answer.soft_ground else [])


def ask_codes(answer: CareAnswer) -> tuple[str, ...]:
    """What to ask before the drill is given: codes of notes that anybody may read."""
    asked = set(answer.ask)
    codes = [code for code in _OWN_WORDS if code in asked]
    return tuple(codes + (["ask-history"] if asked - set(_OWN_WORDS) else []))
