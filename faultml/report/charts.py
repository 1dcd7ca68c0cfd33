"""Small charts of results: how often, trend over sessions, closure budget, practice window."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from faultml.report.text import degrees
from faultml.svg import Drawing, Scale, padded_range, x_axis, y_axis

WIDTH: Final = 360
SHOWN_SESSIONS: Final = 24
TICK: Final = {"class_": "tick", "text_anchor": "middle"}
LINE_CLASSES: Final = ("line unknown", "line straight second", "line miss third")
MARK_SHAPES: Final = ("circle", "square", "triangle")


WHISKER_WIDTH: Final = 132
WHISKER_AXIS: Final = "whisker-axis"
_WHISKER: Final = Scale(0, 1, 6, WHISKER_WIDTH - 6)


@dataclass(frozen=True)
class Share:
    """A share from 0 to 1 with the interval it lies in (90 %)."""

    value: float
    lo: float
    hi: float


def whisker(share: Share, *, filled: bool, label: str) -> Markup:
    """A point with its interval on 0 to 100 %, for a table cell, over the axis of `whisker_axis`."""
    drawing = Drawing(WHISKER_WIDTH, 16, label, class_="inline")
    drawing.add("use", href=f"#{WHISKER_AXIS}")
    lo, hi = (round(_WHISKER(end), 1) for end in (share.lo, share.hi))
    drawing.add("path", d=f"M{lo} 5v6m0-3H{hi}m0-3v6", class_="whisker")
    drawing.mark("circle", _WHISKER(share.value), 8, 4, class_=f"mark {'solid' if filled else 'open'}")
    return drawing.markup()


def whisker_axis() -> Markup:
    """The axis under every `whisker`, for the page's definitions."""
    ticks = "".join(f"M{_WHISKER(tick):.0f} 5v6" for tick in (0.0, 0.5, 1.0))
    line = f"M{_WHISKER.start:.0f} 8H{_WHISKER.end:.0f}"
    return Markup('<g id="{}"><path class="grid" d="{}"/><path class="axis" d="{}"/></g>').format(
        WHISKER_AXIS, line, ticks
    )


def whisker_scale() -> Markup:
    """The scale of `whisker`, for the table's head."""
    drawing = Drawing(WHISKER_WIDTH, 12, "from 0 to 100 %", class_="inline")
    for tick, anchor in ((0.0, "start"), (0.5, "middle"), (1.0, "end")):
        drawing.text(_WHISKER(tick), 10, f"{tick * 100:.0f} %", class_="tick", text_anchor=anchor)
    return drawing.markup()


@dataclass(frozen=True)
class SessionPoint:
    """One session on the trend: how often each followed fault showed, and the setup."""

    name: str
    shares: tuple[Share | None, ...]
    address_deg: NDArray[np.float64]
    retest: bool


def trend(
    points: Sequence[SessionPoint], names: Sequence[str], lessons_before: Sequence[int], label: str
) -> Markup:
    """How often the followed faults showed, session by session; a lesson is a line before the next one."""
    height, left, right, top, bottom = 190, 40, 12, 14, 34
    drawing = Drawing(WIDTH, height, label)
    x, y = _session_scale(len(points), left, right), Scale(0, 1, height - bottom, top)
    y_axis(drawing, y, left, [(0, "0 %"), (0.5, "50 %"), (1, "100 %")], WIDTH - right)
    _session_ticks(drawing, x, points, height - bottom)
    for position in lessons_before:
        drawing.line(
            x(position - 0.5), top, x(position - 0.5), height - bottom, class_="edge", stroke_dasharray="2 3"
        )
        drawing.text(x(position - 0.5), top - 3, "lesson", class_="small", text_anchor="middle")
    for row in range(len(names)):
        offset = 5.0 * (row - (len(names) - 1) / 2)
        _shares(
            drawing,
            x,
            y,
            [point.shares[row] for point in points],
            [point.retest for point in points],
            row,
            offset,
        )
    return drawing.markup()


def _shares(
    drawing: Drawing,
    x: Scale,
    y: Scale,
    shares: Sequence[Share | None],
    retests: Sequence[bool],
    row: int,
    offset: float,
) -> None:
    across = x.array(np.arange(len(shares))) + offset
    up = y.array([share.value if share else np.nan for share in shares])
    drawing.trace(across, up, class_=f"trace median {LINE_CLASSES[row]}")
    for place, share, retest in zip(across.tolist(), shares, retests, strict=True):
        if share:
            drawing.line(
                place, y(share.lo), place, y(share.hi), class_=f"whisker thin {LINE_CLASSES[row].split()[1]}"
            )
            look = "open" if retest else LINE_CLASSES[row].split()[1]
            drawing.mark(MARK_SHAPES[row], place, y(share.value), 4, class_=f"mark {look}")


def address_drift(points: Sequence[SessionPoint], extension_band: tuple[float, float], label: str) -> Markup:
    """The angles at address, session by session, with the band of extension that is not warned about."""
    height, left, right, top, bottom = 170, 40, 12, 14, 34
    values = np.array([point.address_deg for point in points])
    drawing = Drawing(WIDTH, height, label)
    lo, hi = padded_range(values.ravel(), (-extension_band[1], 10), 10)
    x, y = _session_scale(len(points), left, right), Scale(lo, hi, height - bottom, top)
    drawing.rect(left, y(-extension_band[0]), WIDTH - right, y(-extension_band[1]), class_="corridor")
    y_axis(drawing, y, left, [(tick, degrees(tick)) for tick in y.ticks(20)], WIDTH - right)
    _session_ticks(drawing, x, points, height - bottom)
    across = x.array(np.arange(len(points)))
    for channel, shape in enumerate(MARK_SHAPES):
        drawing.trace(across, y.array(values[:, channel]), class_=f"trace median {LINE_CLASSES[channel]}")
        for place, value in zip(across.tolist(), values[:, channel].tolist(), strict=True):
            if np.isfinite(value):
                drawing.mark(shape, place, y(value), 3.2, class_=f"mark {LINE_CLASSES[channel].split()[1]}")
    return drawing.markup()


def _session_scale(count: int, left: float, right: float) -> Scale:
    room = (WIDTH - left - right) / (2 * count)
    return Scale(0, max(count - 1, 1), left + room, WIDTH - right - room if count > 1 else left + room + 1)


def _session_ticks(drawing: Drawing, x: Scale, points: Sequence[SessionPoint], y: float) -> None:
    every = -(-len(points) // 5)
    for index, point in enumerate(points):
        drawing.line(x(index), y, x(index), y + 3, class_="axis")
        if index % every == 0:
            name = point.name if len(point.name) <= 11 else point.name[:10] + "…"
            drawing.text(x(index), y + 14, name, class_="tick", text_anchor="middle")


@dataclass(frozen=True)
class PhaseClosure:
    """What bend and roll added to the club's turn in one phase: mean and SD, degrees, closing +."""

    name: str
    bend_deg: float
    bend_sd_deg: float
    roll_deg: float
    roll_sd_deg: float


def closure_budget(phases: Sequence[PhaseClosure], label: str) -> Markup:
    """Bend and roll of every phase as bars from zero, closing to the right, with the swings' spread."""
    row, left, right, top, bottom = 20, 78, 14, 20, 22
    height = top + bottom + len(phases) * (2 * row + 14)
    ends = [
        mean + side * sd
        for phase in phases
        for mean, sd in ((phase.bend_deg, phase.bend_sd_deg), (phase.roll_deg, phase.roll_sd_deg))
        for side in (-1, 1)
    ]
    lo, hi = padded_range(ends, (-20, 20), 10)
    x = Scale(lo, hi, left, WIDTH - right)
    drawing = Drawing(WIDTH, height, label)
    x_axis(
        drawing,
        x,
        height - bottom,
        [(tick, degrees(tick)) for tick in x.ticks(20 if hi - lo <= 120 else 40)],
        top,
    )
    drawing.line(x(0), top, x(0), height - bottom, class_="axis")
    drawing.text(x(0) - 5, 12, "◂ opening", class_="small", text_anchor="end")
    drawing.text(x(0) + 5, 12, "closing ▸", class_="small")
    for index, phase in enumerate(phases):
        start = top + 6 + index * (2 * row + 14)
        drawing.text(0, start + row - 4, phase.name, class_="strong")
        _bar(drawing, x, start, phase.bend_deg, phase.bend_sd_deg, "bend")
        _bar(drawing, x, start + row, phase.roll_deg, phase.roll_sd_deg, "roll")
    return drawing.markup()


def _bar(drawing: Drawing, x: Scale, y: float, mean: float, sd: float, part: str) -> None:
    if not np.isfinite(mean):
        drawing.text(x(0) + 5, y + 12, f"{part} not recorded", class_="small")
        return
    drawing.rect(x(0), y + 1, x(mean), y + 15, class_=f"bar {part}")
    if np.isfinite(sd):
        drawing.line(x(mean - sd), y + 8, x(mean + sd), y + 8, class_="whisker")
    outward = 1 if mean >= 0 else -1
    end = x.clip(max(abs(mean), abs(mean) + (sd if np.isfinite(sd) else 0)) * outward)
    inside = (x.end - x(end) if outward > 0 else x(end) - x.start) > 34
    if inside:
        anchor = "start" if outward > 0 else "end"
        drawing.text(x(end) + 4 * outward, y + 12, degrees(mean), class_="halo", text_anchor=anchor)
    else:
        drawing.text(
            x(0) - 4 * outward,
            y + 12,
            degrees(mean),
            class_="halo",
            text_anchor="end" if outward > 0 else "start",
        )


def practice_window(
    bound_deg: float,
    side: str,
    *,
    zero: str,
    ends: tuple[str, str],
    now_deg: float | None,
    edge_deg: float | None,
    label: str,
) -> Markup:
    """A drill's window, open on the side away from its bound, with the place now and the edge.

    `zero` names what 0 is, such as the player's setup; `ends` are the trade words of the negative and positive side.
    """
    height, left, right, middle = 64, 12, 12, 36
    given = [value for value in (now_deg, edge_deg) if value is not None]
    lo, hi = padded_range([bound_deg, *given], (-20, 20), 10)
    x = Scale(lo, hi, left, WIDTH - right)
    drawing = Drawing(WIDTH, height, label)
    drawing.line(x(lo), middle, x(hi), middle, class_="axis")
    first, last = (bound_deg, hi) if side == "above" else (lo, bound_deg)
    drawing.rect(x(first), middle - 10, x(last), middle + 10, class_="window")
    said = f"{side} {degrees(bound_deg)}"
    drawing.text((x(first) + x(last)) / 2, middle - 15, said, class_="strong", text_anchor="middle")
    drawing.line(x(0), middle - 10, x(0), middle + 10, class_="moment")
    drawing.text(x(0), middle + 23, zero, class_="tick", text_anchor="middle")
    taken = x(0)
    if now_deg is not None:
        drawing.mark("diamond", x(now_deg), middle, 4.5, class_="mark solid")
        drawing.text(x(now_deg), middle + 23 if abs(x(now_deg) - taken) > 34 else middle - 15, "now", **TICK)
    if edge_deg is not None:
        drawing.line(
            x(edge_deg), middle - 10, x(edge_deg), middle + 10, class_="edge", stroke_dasharray="3 2"
        )
        clear = all(
            abs(x(edge_deg) - x(value)) > 34 for value in (0.0, *([] if now_deg is None else [now_deg]))
        )
        drawing.text(x(edge_deg), middle + 23, "edge" if clear else "", **TICK)
    drawing.text(left, 10, f"◂ {ends[0]}", class_="small")
    drawing.text(WIDTH - right, 10, f"{ends[1]} ▸", class_="small", text_anchor="end")
    return drawing.markup()
