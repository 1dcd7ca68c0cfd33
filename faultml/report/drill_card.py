"""A drill as the player gets it: the book's steps with the player's own window, dose, re-test and notes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from markupsafe import Markup

from faultml.channels import CHANNELS
from faultml.coaching.book import Drill
from faultml.coaching.notes import WEAK, note_text
from faultml.coaching.records import PlayerDrill
from faultml.coaching.rules import Coaching
from faultml.report.charts import practice_window
from faultml.report.gates import DRAWN_STATS
from faultml.report.player_tables import PlayerTables
from faultml.report.text import (
    CHANNEL_ENDS,
    CHANNEL_NAMES,
    degrees,
    edge_words,
    listed,
    measure_words,
    size,
    span_words,
)

FIRST_NOTES: Final = frozenset(
    {
        "ask-pain",
        "cleared",
        "ask-history",
        "order-setup",
        "order-cause",
        "order-closers",
        WEAK,
        "serves-other",
        "serves-instead",
    }
)
"""Notes to be read before the steps: what care asks, why this drill is first, or that it is not needed yet."""


@dataclass(frozen=True)
class DrillCard:
    """A drill with what holds for this player."""

    faults: str
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
    drill = coaching.book[row.drill]
    channel = row.window_channel
    low, high = row.window_lo_deg, row.window_hi_deg
    where = f"{CHANNEL_NAMES[channel]} {degrees(low)} to {degrees(high)} from your own setup"
    if drill.phase == "setup":
        where += _absolute(row, tables)
    span = span_words(row.window_from, row.window_to)
    names = listed([coaching.words[fault] for fault in row.faults])
    now, edge = _now_and_edge(row, tables, coaching)
    due = f", from {row.retest_due} on" if row.retest_due else ""
    return DrillCard(
        faults=names,
        window=practice_window(
            low,
            high,
            ends=CHANNEL_ENDS[channel],
            now_deg=now,
            edge_deg=edge,
            label=f"Practice window: {where}",
        ),
        window_words=f"Practice window: {where}, {span}.{_judged(drill)}",
        dose=row.dose,
        retest=f"{row.retest}{due}.{_corridor(row, tables, coaching)}",
        confidence=row.confidence,
        first=[note_text(note, coaching) for note in row.notes if note.code in FIRST_NOTES],
        notes=[note_text(note, coaching) for note in row.notes if note.code not in FIRST_NOTES],
        drill=drill,
    )


def _absolute(row: PlayerDrill, tables: PlayerTables) -> str:
    """A setup drill's window as absolute angles, where the setup is known."""
    setup = float(tables.address_deg[CHANNELS.index(row.window_channel)])
    if not np.isfinite(setup):
        return ""
    low, high = degrees(setup + row.window_lo_deg), degrees(setup + row.window_hi_deg)
    return f" as it is now, so {low} to {high} absolute"


def _judged(drill: Drill) -> str:
    if drill.phase != "setup":
        return ""
    return " It is a change of the setup itself, judged by the absolute angle at address."


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
        told = f"outside is {outside} ({whose})"
    else:
        told = f"outside is a spread (SD) above {size(figures.edge, figures.unit)}"
    return f" The corridor is not the practice window: {told}."


def _now_and_edge(
    row: PlayerDrill, tables: PlayerTables, coaching: Coaching
) -> tuple[float | None, float | None]:
    """Where the player is and the edge lies, if the first fault is read straight off the window's channel."""
    fault = row.faults[0] if row.faults else ""
    if fault not in tables.faults or fault not in coaching.catalogue.ids:
        return None, None
    measure, figures = coaching.catalogue[fault].measure, tables.faults[fault]
    if (
        measure.channel != row.window_channel
        or measure.stat not in DRAWN_STATS
        or not np.isfinite(figures.measure)
    ):
        return None, None
    return figures.measure, figures.edge
