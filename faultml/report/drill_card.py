"""A drill as the player gets it: the book's steps with the player's own window, dose, re-test and notes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from markupsafe import Markup

from faultml.coaching.book import Drill
from faultml.coaching.lesson import CARRY_ON
from faultml.coaching.met import WINDOW_MET
from faultml.coaching.note_rules import NO_GAIN_SO_FAR
from faultml.coaching.notes import WEAK, note_text
from faultml.coaching.records import PlayerDrill
from faultml.coaching.rules import Coaching
from faultml.plan.shown import SAID_BY_PLAN
from faultml.report.player_tables import PlayerTables
from faultml.report.text import edge_words, listed, measure_words, size
from faultml.report.window_words import window_words
from faultml.report.windows import window_chart

FIRST_NOTES: Final = frozenset(
    {
        "ask-pain",
        "ask-age",
        "ask-level",
        "ask-history",
        "half-dose",
        CARRY_ON,
        "order-setup",
        "order-cause",
        "order-closers",
        WINDOW_MET,
        WEAK,
        NO_GAIN_SO_FAR,
        "near-end",
        "serves-other",
        "serves-instead",
    }
)
"""Notes to be read before the steps: what care asks, why this drill is first, or that it is not needed yet."""


SERVES_NOTES: Final = frozenset({"serves-other", "serves-instead", "serves-next"})
"""Notes that say why a drill is for another fault than the leading one."""


@dataclass(frozen=True)
class DrillCard:
    """A drill with what holds for this player."""

    faults: str
    serves: str
    window: Markup
    window_words: str
    dose: str
    retest: str
    confidence: str
    first: list[str]
    notes: list[str]
    drill: Drill


def drill_card(row: PlayerDrill, tables: PlayerTables, coaching: Coaching) -> DrillCard:
    """A drill row with the book's text and the player's own window."""
    drill, window = coaching.book[row.drill], row.window
    names = listed([coaching.words[fault] for fault in row.faults])
    on = tables.lesson.on if tables.lesson else ""
    due = f", from {row.retest_due} on" if row.retest_due else ""
    due = f", due since {row.retest_due}" if due and row.retest_due < on else due
    above = _said_above(row, tables)
    notes = [note for note in row.notes if note.code not in above]
    return DrillCard(
        faults=names,
        serves=_serves(row, names, coaching),
        window=window_chart(window, row, tables, coaching),
        window_words=f"Practice window: {window_words(window, coaching)}",
        dose=row.dose,
        retest=f"{row.retest}{due}.{_corridor(row, tables, coaching)}",
        confidence=row.confidence,
        first=[note_text(note, coaching) for note in notes if note.code in FIRST_NOTES],
        notes=[note_text(note, coaching) for note in notes if note.code not in FIRST_NOTES],
        drill=drill,
    )


def _said_above(row: PlayerDrill, tables: PlayerTables) -> set[str]:
    """Codes of notes that the page has said already: by the plan, and with the leading finding."""
    lesson, main = tables.lesson, tables.main_fault
    above = set(SAID_BY_PLAN) if lesson and lesson.active and lesson.drill == row.drill else set()
    return above | ({"estimate-drawn"} if main and row.faults[:1] == (main.fault,) else set())


def _serves(row: PlayerDrill, names: str, coaching: Coaching) -> str:
    """What a drill in reserve is for, once: the note on a single fault names it already."""
    why = " ".join(note_text(note, coaching) for note in row.notes if note.code in SERVES_NOTES)
    return why if why and len(row.faults) == 1 else f"For {names}. {why}".rstrip()


def _corridor(row: PlayerDrill, tables: PlayerTables, coaching: Coaching) -> str:
    """The corridor's edge in numbers, which is another thing than the practice window."""
    fault = row.faults[0] if row.faults else ""
    if fault not in tables.faults:
        return ""
    figures = tables.faults[fault]
    if fault in coaching.catalogue.ids:
        entry = coaching.catalogue[fault]
        outside = f"{measure_words(entry.measure)} {edge_words(entry, figures.edge)}"
        whose = (
            "in degrees from the swing's own address" if entry.unit == "deg" else "a share of the downswing"
        )
        corridor_words = f"outside is {outside} ({whose})"
    else:
        corridor_words = f"outside are swings that differ by more than {size(figures.edge, figures.unit)}"
    return f" The corridor is not the practice window: {corridor_words}."
