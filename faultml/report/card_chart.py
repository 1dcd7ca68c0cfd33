"""The practice window on a player's own curve, for print: black on white, the wrong side of the bound striped."""

from __future__ import annotations

from typing import Final

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from faultml.channels import CHANNELS
from faultml.coaching.window import LOWEST_SINCE, AnyWindow, SpreadWindow, Window
from faultml.drawings.traces import Traces
from faultml.faults.catalogue import parse_position
from faultml.faults.measure import coordinate
from faultml.report.card_words import load_card_words
from faultml.report.text import degrees
from faultml.svg import Drawing, Scale, padded_range, y_axis

WIDTH: Final = 380
HEIGHT: Final = 225
_LEFT, _RIGHT, _TOP, _BOTTOM = 44, 8, 22, 38
_MOMENT_WIDTH: Final = 0.1
"""How wide a bound that holds at one moment is drawn to either side, in phases: a line needs a length to be seen."""
_NEAR_PHASES: Final = ((0.0, "setup", "start"), (1.0, "top", "middle"), (2.0, "ball", "middle"))

Array = NDArray[np.float64]


def window_on_curve(window: AnyWindow, traces: Traces, address_deg: Array, label: str) -> Markup:
    """The player's median curve with the bound; for a window that judges a spread, every drawn swing and no bound.

    Empty where the angle was not recorded, in too few swings for a median, or where what the bound is relative to is
    not known.

    Parameters
    ----------
    window
        In the player's own numbers.
    traces
        The player's drawn swings.
    address_deg
        ``(3,)`` mean angles at address, NaN where not recorded.
    label
        The sentence that says what is drawn.
    """
    channel = CHANNELS.index(window.channel)
    median = traces.median()[channel]
    if not np.isfinite(median).any():
        return Markup("")
    if isinstance(window, SpreadWindow):
        swings = traces.curves_deg[:, channel]
        drawing, x, y = _frame(window, traces.phase, swings, np.nan, label)
        for swing in swings:
            drawing.trace(x.array(traces.phase), y.array(swing), class_="curve thin")
        return drawing.markup()
    bound_deg = _bound_from_setup(window, traces.phase, median, float(address_deg[channel]))
    if not np.isfinite(bound_deg):
        return Markup("")
    drawing, x, y = _frame(window, traces.phase, median, bound_deg, label)
    first, last = (coordinate(position) for position in window.span)
    if first == last:
        first, last = first - _MOMENT_WIDTH, last + _MOMENT_WIDTH
    ends = [x(x.clip(place)) for place in (first, last)]
    wrong = y.hi if window.side == "below" else y.lo
    drawing.rect(ends[0], y(bound_deg), ends[1], y(wrong), class_="wrong")
    drawing.trace(x.array(traces.phase), y.array(median), class_="curve")
    drawing.line(ends[0], y(bound_deg), ends[1], y(bound_deg), class_="bound")
    return drawing.markup()


def _bound_from_setup(window: Window, phase: Array, curve_deg: Array, address_deg: float) -> float:
    """Where the bound lies on the player's curve, degrees from the setup; NaN where that is not known."""
    known = np.isfinite(curve_deg)

    def at(place: float) -> float:
        value = np.interp(place, phase[known], curve_deg[known], left=np.nan, right=np.nan)
        return float(value)

    match window.reference:
        case "setup":
            zero = 0.0
        case "top":
            zero = at(1.0)
        case "impact":
            zero = at(2.0)
        case "absolute":
            zero = -address_deg
        case "lowest":
            since, until = coordinate(parse_position(LOWEST_SINCE)), coordinate(window.span[1])
            part = curve_deg[known & (phase >= since) & (phase <= until)]
            zero = float(part.min()) if len(part) else np.nan
    bound = zero + window.bound_deg
    if window.guard_deg is None:
        return bound
    # Outside is only what is past both.
    return min(bound, window.guard_deg) if window.side == "above" else max(bound, window.guard_deg)


def _frame(
    window: AnyWindow, phase: Array, drawn_deg: Array, bound_deg: float, label: str
) -> tuple[Drawing, Scale, Scale]:
    """The empty figure with its axes, and the scales of phase and angle."""
    words = load_card_words().channel[window.channel]
    given = np.append(drawn_deg.ravel(), [bound_deg - 12, bound_deg + 12])
    lo, hi = padded_range(given, (-20, 20), 10)
    x = Scale(0, float(phase[-1]), _LEFT, WIDTH - _RIGHT)
    y = Scale(lo, hi, HEIGHT - _BOTTOM, _TOP)
    drawing = Drawing(WIDTH, HEIGHT, label)
    step = 20 if hi - lo <= 120 else 40
    y_axis(drawing, y, _LEFT, [(tick, degrees(tick)) for tick in y.ticks(step)], WIDTH - _RIGHT)
    for place, name, anchor in _NEAR_PHASES:
        drawing.line(x(place), _TOP, x(place), HEIGHT - _BOTTOM, class_="moment")
        drawing.text(x(place), HEIGHT - _BOTTOM + 14, name, class_="tick", text_anchor=anchor)
    drawing.text(_LEFT, _TOP - 8, f"▲ {words.high}", class_="end")
    drawing.text(_LEFT, HEIGHT - 6, f"▼ {words.low}", class_="end")
    return drawing, x, y
