"""A practice window as a picture."""

from __future__ import annotations

import math
from typing import Final

from markupsafe import Markup

from faultml.coaching.records import PlayerDrill
from faultml.coaching.rules import Coaching
from faultml.coaching.window import AnyWindow, SpreadWindow, Window, reads
from faultml.report.charts import practice_window
from faultml.report.player_tables import PlayerTables
from faultml.report.text import CHANNEL_ENDS
from faultml.report.window_words import window_words

_ZERO: Final = {
    "setup": "setup",
    "top": "at the top",
    "impact": "at impact",
    "lowest": "lowest",
    "absolute": "straight",
}


def window_chart(window: AnyWindow, row: PlayerDrill, tables: PlayerTables, coaching: Coaching) -> Markup:
    """The window as a picture, with the player's place now and the edge; empty for a spread."""
    if isinstance(window, SpreadWindow):
        return Markup("")
    now, edge = _now_and_edge(window, row, tables, coaching)
    return practice_window(
        window.bound_deg,
        window.side,
        zero=_ZERO[window.reference],
        ends=CHANNEL_ENDS[window.channel],
        now_deg=now,
        edge_deg=edge,
        label=f"Practice window: {window_words(window, coaching)}",
    )


def _now_and_edge(
    window: Window, row: PlayerDrill, tables: PlayerTables, coaching: Coaching
) -> tuple[float | None, float | None]:
    """The player's measure and its edge as readings of the window, where the drill is given for the window's fault."""
    first = row.faults[0] if row.faults else ""
    if first != window.fault or first not in tables.faults or first not in coaching.catalogue.ids:
        return None, None
    fault, figures = coaching.catalogue[first], tables.faults[first]
    if fault.unit != "deg" or not math.isfinite(figures.measure_now):
        return None, None
    sign = reads(window, fault)
    return sign * figures.measure_now, sign * figures.edge
