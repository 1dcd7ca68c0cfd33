"""The two pictures of the motion itself: flexion against ulnar deviation, and the channels over the swing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from faultml.channels import CHANNELS, FLEXION, ULNAR
from faultml.report.gates import Gate, gate_at
from faultml.report.text import CHANNEL_ENDS, CHANNEL_NAMES, degrees
from faultml.report.traces import Traces
from faultml.svg import Drawing, Scale, padded_range, x_axis, y_axis

TOP: Final = 1.0
IMPACT: Final = 2.0
PATH_MARKS: Final = (
    (TOP, "square", "top"),
    (1.56, "triangle", "arm level coming down"),
    (IMPACT, "diamond", "impact"),
)
MOMENTS: Final = (
    (0.51, "shaft level", "middle"),
    (1.56, "arm level", "middle"),
    (2.30, "shaft level", "start"),
)
"""Body positions, with the anchor of their name: the last would run into "impact" from its middle."""

FRINGE_PX: Final = 6.0
MOMENT_HALF_WIDTH: Final = 0.045
LETTER_PX: Final = 5.9
"""Width of a letter of an edge's name, about: enough to keep the name on its panel."""

NAME_ROOM_DEG: Final = 13.0
"""Degrees of a panel that the name of an edge takes beyond it."""


def angle_angle(traces: Traces, gates: Sequence[Gate]) -> Markup:
    """Flexion (across) against ulnar deviation (up) from address, one degree as long on both axes."""
    width, left, right, top, bottom = 360, 34, 16, 18, 30
    flexion, ulnar = traces.curves_deg[:, FLEXION], traces.curves_deg[:, ULNAR]
    boxes = [(name, *_box(gates, moment)) for moment, name in ((TOP, "top"), (IMPACT, "impact"))]
    edges_x = [edge for _, across, _ in boxes for edge in across]
    edges_y = [edge for _, _, up in boxes for edge in up]
    x_lo, x_hi = padded_range(flexion.ravel(), (min([-25.0, *edges_x]) - 4, max([35.0, *edges_x]) + 4), 5)
    y_lo, y_hi = padded_range(ulnar.ravel(), (min([-45.0, *edges_y]) - 4, max([20.0, *edges_y]) + 4), 5)
    per_degree = (width - left - right) / (x_hi - x_lo)
    height = round(top + bottom + (y_hi - y_lo) * per_degree)
    x, y = Scale(x_lo, x_hi, left, width - right), Scale(y_lo, y_hi, height - bottom, top)
    drawing = Drawing(
        width,
        height,
        "Angle-angle diagram: wrist bend across, wrist hinge up, from address to impact and through",
    )
    whole = [(name, across, up) for name, across, up in boxes if len(across) == len(up) == 2]
    for _, across, up in whole:
        _draw_box(drawing, x, y, across, up)
    x_axis(drawing, x, height - bottom, [(tick, degrees(tick)) for tick in x.ticks(20)], top)
    y_axis(drawing, y, left, [(tick, degrees(tick)) for tick in y.ticks(20)], width - right)
    drawing.text(left, height - 4, "◂ cupped", class_="small")
    drawing.text(width - right, height - 4, "bowed ▸", class_="small", text_anchor="end")
    drawing.text(left, 11, "▴ unhinged", class_="small")
    drawing.text(left + 4, height - bottom - 5, "▾ hinged", class_="small halo")
    for group in traces.groups():
        _draw_paths(drawing, traces.of(traces.group == group), group, x, y)
    drawing.mark("circle", x(0), y(0), 4, class_="mark open")
    for name, across, up in whole:
        corner = x(across[1]) - 3, y(up[0]) - 4
        drawing.text(*corner, f"corridor at {name}", class_="small halo", text_anchor="end")
    return drawing.markup()


def _box(gates: Sequence[Gate], moment: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
    found = (gate_at(gates, channel, moment) for channel in ("flexion_deg", "ulnar_deg"))
    across, up = (tuple(edge.deg for edge in gate.edges()) if gate else () for gate in found)
    return across, up


def _draw_box(drawing: Drawing, x: Scale, y: Scale, across: tuple[float, ...], up: tuple[float, ...]) -> None:
    corners = x(across[0]), y(up[0]), x(across[1]), y(up[1])
    drawing.rect(*corners, class_="corridor")
    drawing.rect(*corners, class_="edge")


def _draw_paths(drawing: Drawing, traces: Traces, group: str, x: Scale, y: Scale) -> None:
    until_through = traces.phase <= 2.5
    for swing in traces.curves_deg[:, :, until_through]:
        drawing.trace(x.array(swing[FLEXION]), y.array(swing[ULNAR]), class_=f"trace {group}")
    median = traces.median()[:, until_through]
    drawing.trace(x.array(median[FLEXION]), y.array(median[ULNAR]), class_=f"trace median {group}")
    for moment, shape, _ in PATH_MARKS:
        values = traces.at(moment)[:, [FLEXION, ULNAR]]
        drawing.dots(x.array(values[:, 0]), y.array(values[:, 1]), class_=f"dots {group}")
        centre = np.median(values, axis=0)
        if np.isfinite(centre).all():
            drawing.mark(shape, x(centre[0]), y(centre[1]), 4.5, class_=f"mark {group}")


def channel_curves(traces: Traces, gates: Sequence[Gate], label: str) -> Markup:
    """The channels over the swing, one panel under the other, each phase drawn as wide as the next.

    Parameters
    ----------
    traces
        Swings to draw, for instance those of one club.
    gates
        The corridor.
    label
        What the figure shows, for a screen reader.
    """
    channels = [name for index, name in enumerate(CHANNELS) if np.isfinite(traces.curves_deg[:, index]).any()]
    width, left, right, top, panel, gap = 360, 34, 8, 16, 138, 40
    height = top + len(channels) * (panel + gap)
    x = Scale(0, 3, left, width - right)
    drawing = Drawing(width, height, label)
    for row, channel in enumerate(channels):
        start = top + row * (panel + gap)
        own = [gate for gate in gates if gate.channel == channel]
        values = traces.curves_deg[:, CHANNELS.index(channel)]
        y = Scale(*_panel_range(values, own), start + panel, start)
        _frame(drawing, x, y, channel)
        for gate in own:
            _draw_gate(drawing, x, y, gate)
        for group in traces.groups():
            _draw_group(drawing, traces.of(traces.group == group), CHANNELS.index(channel), group, x, y)
        for gate in own:
            _name_gate(drawing, x, y, gate)
    return drawing.markup()


def _panel_range(values: NDArray[np.float64], gates: Sequence[Gate]) -> tuple[float, float]:
    named = [gate.low.deg - NAME_ROOM_DEG for gate in gates if gate.low]
    named += [gate.high.deg + NAME_ROOM_DEG for gate in gates if gate.high]
    return padded_range(np.concatenate([values.ravel(), named]), (-15, 15), 5)


def _frame(drawing: Drawing, x: Scale, y: Scale, channel: str) -> None:
    below, above = CHANNEL_ENDS[channel]
    low, high = y.start, y.end
    step = 20 if y.hi - y.lo < 110 else 40
    y_axis(drawing, y, x.start, [(tick, degrees(tick)) for tick in y.ticks(step)], x.end)
    x_axis(drawing, x, low, [(0, "takeaway"), (TOP, "top"), (IMPACT, "impact")], high)
    for moment, word, anchor in MOMENTS:
        drawing.line(x(moment), high, x(moment), low, class_="moment")
        drawing.text(
            x(moment) - (8 if anchor == "start" else 0), low + 13, word, class_="small", text_anchor=anchor
        )
    drawing.text(x.start, high - 5, CHANNEL_NAMES[channel], class_="strong")
    drawing.text(x.end, high - 5, f"▴ {above}   ▾ {below}", class_="small", text_anchor="end")


def _gate_pixels(x: Scale, gate: Gate) -> tuple[float, float]:
    widen = MOMENT_HALF_WIDTH if gate.start == gate.end else 0.0
    return x(gate.start - widen), x(gate.end + widen)


def _draw_gate(drawing: Drawing, x: Scale, y: Scale, gate: Gate) -> None:
    first, last = _gate_pixels(x, gate)
    if gate.low and gate.high:
        drawing.rect(first, y(gate.low.deg), last, y(gate.high.deg), class_="corridor")
    for edge, outward in ((gate.low, FRINGE_PX), (gate.high, -FRINGE_PX)):
        if edge:
            drawing.rect(first, y(edge.deg), last, y(edge.deg) + outward, class_="outside")
            drawing.line(first, y(edge.deg), last, y(edge.deg), class_="edge")


def _name_gate(drawing: Drawing, x: Scale, y: Scale, gate: Gate) -> None:
    middle = sum(_gate_pixels(x, gate)) / 2
    for edge, offset in ((gate.low, FRINGE_PX + 9), (gate.high, -FRINGE_PX - 3)):
        if edge:
            label = f"{edge.name} {degrees(edge.deg)}"
            half = LETTER_PX * len(label) / 2
            middle = min(max(middle, x.start + half), x.end - half)
            drawing.text(middle, y(edge.deg) + offset, label, class_="small halo", text_anchor="middle")


def _draw_group(drawing: Drawing, traces: Traces, channel: int, group: str, x: Scale, y: Scale) -> None:
    pixels = x.array(traces.phase)
    for swing in traces.curves_deg[:, channel]:
        drawing.trace(pixels, y.array(swing), class_=f"trace {group}")
    drawing.trace(pixels, y.array(traces.median()[channel]), class_=f"trace median {group}")


def key(groups: Sequence[str], words: dict[str, str]) -> list[tuple[str, Markup]]:
    """Line samples for the groups drawn: ``(words, sample)``."""
    return [(words[group], _sample(group)) for group in groups]


def _sample(group: str) -> Markup:
    drawing = Drawing(28, 10, "", class_="inline")
    drawing.trace(np.array([1, 27]), np.array([5, 5]), class_=f"trace median {group}")
    return drawing.markup()
