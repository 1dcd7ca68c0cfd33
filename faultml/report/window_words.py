"""A practice window in words."""

from __future__ import annotations

from typing import Any, Final, cast

from faultml.coaching.rules import Coaching
from faultml.coaching.window import LOWEST_SINCE, AnyWindow, SpreadWindow, Window
from faultml.faults.catalogue import parse_position
from faultml.report.text import CHANNEL_NAMES, degrees, moment, size, span_words

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


def window_words(window: AnyWindow, coaching: Coaching) -> str:
    """The window as a sentence, with what is judged and what is not where that is not the swing's own curve."""
    if isinstance(window, SpreadWindow):
        unit = cast(
            Any, next(each.unit for each in coaching.catalogue.session_faults if each.id == window.fault)
        )
        most = size(window.max_sd, unit)
        alike = f"{CHANNEL_NAMES[window.channel]} alike from swing to swing: they differ by {most} or less"
        return f"{alike} (one standard deviation).{SPREAD_JUDGED}"
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
