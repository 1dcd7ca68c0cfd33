"""A practice window in words, and as a picture."""

from __future__ import annotations

import math
from typing import Any, Final, cast

from markupsafe import Markup

from faultml.coaching.records import PlayerDrill
from faultml.coaching.rules import Coaching
from faultml.coaching.window import LOWEST_SINCE, AnyWindow, SpreadWindow, Window, reads
from faultml.faults.catalogue import parse_position
from faultml.report.charts import practice_window
from faultml.report.player_tables import PlayerTables
from faultml.report.text import CHANNEL_ENDS, CHANNEL_NAMES, degrees, moment, size, span_words

SETUP_JUDGED: Final = (
    " Judged by the absolute angle at address where the sensor was calibrated in this session and not moved since; else"
    " by the mirror alone. What the swing does with it is not judged here."
)
SPREAD_JUDGED: Final = " Judged over the swings of a session; one swing is not judged."

_FROM: Final = {
    "setup": "from your own setup",
    "top": "from its own place at the top",
    "impact": "from its own place at impact",
    "absolute": "as an absolute angle",
}
_ZERO: Final = {
    "setup": "setup",
    "top": "at the top",
    "impact": "at impact",
    "lowest": "lowest",
    "absolute": "straight",
}


def window_words(window: AnyWindow, coaching: Coaching) -> str:
    """The window as a sentence, with what is judged and what is not where that is not the swing's own curve."""
    if isinstance(window, SpreadWindow):
        unit = cast(
            Any, next(each.unit for each in coaching.catalogue.session_faults if each.id == window.fault)
        )
        most = size(window.max_sd, unit)
        return f"{CHANNEL_NAMES[window.channel]} alike from swing to swing: SD {most} or less.{SPREAD_JUDGED}"
    words = f"{CHANNEL_NAMES[window.channel]} {_where(window)} {_bound(window)}"
    if window.reference == "absolute":
        return f"{words}.{SETUP_JUDGED}"
    if window.guard_deg is not None:
        words += f", or {window.side} {degrees(window.guard_deg)} from your own setup"
    if window.share is not None:
        words += f" ({window.share * 100:.0f} % of your own unhinging where that is known)"
    return f"{words}."


def _where(window: Window) -> str:
    if window.reference == "absolute":
        return "at setup"
    return f"from {span_words(window.start, window.end)}" if window.end else f"at {moment(window.span[0])}"


def _bound(window: Window) -> str:
    if window.reference == "lowest":
        since = moment(parse_position(LOWEST_SINCE))
        return f"at most {degrees(window.bound_deg)} above its lowest since {since}"
    verb = "reaches" if window.must == "reach" else "stays"
    return f"{verb} {window.side} {degrees(window.bound_deg)} {_FROM[window.reference]}"


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
    if fault.unit != "deg" or not math.isfinite(figures.measure):
        return None, None
    sign = reads(window, fault)
    return sign * figures.measure, sign * figures.edge
