"""A picture as options for ECharts, with a cursor on every panel that a page moves."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from faultml.drawings.looks import CORRIDOR, EDGE, FAINT, INK, LOOKS, PAPER, RULE, SOFT
from faultml.drawings.records import Anchor, Axis, Box, Dots, Edge, Line, Mark, Moment, Panel, Picture

Options = dict[str, Any]

PANEL_PX: Final = 190
"""Height of a panel's plot; the words above and below come on top."""
HEAD_PX: Final = 30
FOOT_PX: Final = 34
LEFT_PX: Final = 48
RIGHT_PX: Final = 14
FONT: Final = 'system-ui, "Segoe UI", "Helvetica Neue", "DejaVu Sans", Arial, sans-serif'

CURSOR: Final = "cursor-"
"""Series of this name and a panel's number hold its cursor."""
_ALIGNED: Final[dict[Anchor, str]] = {"start": "left", "middle": "center", "end": "right"}
_SYMBOLS: Final = {"circle": "circle", "square": "rect", "diamond": "diamond", "triangle": "triangle"}
_TEXT: Final = {"fontFamily": FONT, "fontSize": 12, "color": SOFT}
_HALO: Final = {"textBorderColor": PAPER, "textBorderWidth": 3}
"""Around words that may lie on a curve."""


def height_css(picture: Picture) -> str:
    """Height that a picture needs, as CSS; that of a square one follows the width of what contains it."""
    if not picture.square:
        return f"{len(picture.panels) * (HEAD_PX + PANEL_PX + FOOT_PX)}px"
    (panel,) = picture.panels
    ratio = (panel.y.hi - panel.y.lo) / (panel.x.hi - panel.x.lo)
    return f"calc((100cqw - {LEFT_PX + RIGHT_PX}px) * {ratio:.4f} + {HEAD_PX + FOOT_PX}px)"


def as_echarts(picture: Picture) -> Options:
    """Options of ECharts; a square picture fills whatever square it is given."""
    options: Options = {
        "animation": False,
        "aria": {"enabled": True, "label": {"description": picture.label}},
        "textStyle": {"fontFamily": FONT, "color": INK},
        "backgroundColor": PAPER,
        "grid": [],
        "xAxis": [],
        "yAxis": [],
        "series": [],
        "title": [],
        "axisPointer": {"show": False},
        "tooltip": {"show": False},
    }
    for row, panel in enumerate(picture.panels):
        top = HEAD_PX + row * (HEAD_PX + PANEL_PX + FOOT_PX)
        grid = {"left": LEFT_PX, "right": RIGHT_PX, "top": top}
        grid |= {"bottom": FOOT_PX} if picture.square else {"height": PANEL_PX}
        options["grid"].append(grid)
        options["xAxis"].append(_x_axis(panel, row, picture.square))
        options["yAxis"].append(_y_axis(panel, row))
        options["title"] += _titles(panel, top)
        options["series"] += [*_ground(panel, row), *_items(panel, row), _cursor(row)]
    names = [
        item.name for panel in picture.panels for item in panel.items if isinstance(item, Line) and item.name
    ]
    if names:
        style = {"color": INK, "fontFamily": FONT, "fontSize": 11}
        options["legend"] = {
            "data": names,
            "left": 0,
            "top": 0,
            "itemGap": 8,
            "selectedMode": False,
            "textStyle": style,
        }
        options["legend"] |= {"itemWidth": 22, "itemStyle": {"opacity": 0}}
    return options


def cursor_series(points: Sequence[Sequence[tuple[float, float]]], at: float | None) -> list[Options]:
    """Series that move the cursors of a picture.

    Parameters
    ----------
    points
        For each panel the points to mark; one that is not finite is left out.
    at
        Where the vertical line stands; None for a picture without one.
    """
    line = [] if at is None else [{"xAxis": at}]
    return [
        {
            "name": f"{CURSOR}{row}",
            "data": [[x, y] for x, y in own if np.isfinite(x) and np.isfinite(y)],
            "markLine": {"data": line},
        }
        for row, own in enumerate(points)
    ]


def _x_axis(panel: Panel, row: int, square: bool) -> Options:
    axis = _axis(panel.x, row)
    if square:
        axis |= {"name": f"◂ {panel.x.low}   {panel.x.high} ▸", "nameLocation": "middle", "nameGap": 22}
    return axis | {"axisLine": {"show": False}, "axisTick": {"show": False}}


def _y_axis(panel: Panel, row: int) -> Options:
    return _axis(panel.y, row) | {"axisLine": {"show": False}, "axisTick": {"show": False}}


def _axis(axis: Axis, row: int) -> Options:
    labels = {f"{tick.at:g}": tick.label for tick in axis.ticks}
    places = [tick.at for tick in axis.ticks]
    return {
        "type": "value",
        "gridIndex": row,
        "min": axis.lo,
        "max": axis.hi,
        "splitLine": {"show": False},  # drawn with the ground, at the ticks
        "axisTick": {"customValues": places},
        "nameTextStyle": _TEXT,
        "axisLabel": _TEXT
        | {
            "customValues": places,
            "hideOverlap": True,
            ":formatter": f"v => ({json.dumps(labels)})[v] ?? ''",
        },
    }


def _titles(panel: Panel, top: int) -> list[Options]:
    ends = f"▴ {panel.y.high}   ▾ {panel.y.low}" if panel.y.high else ""
    name = {"text": panel.title, "left": LEFT_PX - 4, "top": top - 24}
    side = {"text": ends, "right": RIGHT_PX, "top": top - 23}
    return [
        name | {"textStyle": {"fontSize": 13, "fontWeight": 600, "color": INK, "fontFamily": FONT}},
        side | {"textStyle": {"fontSize": 12, "fontWeight": 400, "color": SOFT, "fontFamily": FONT}},
    ]


def _ground(panel: Panel, row: int) -> list[Options]:
    """Corridor, edges and moments: they belong to a series without points of its own."""
    areas = [_area(box) for box in panel.boxes]
    areas += [_band(moment) for moment in panel.moments if moment.sd > 0]
    lines: list[Any] = [_rule({"xAxis": tick.at}) for tick in panel.x.ticks]
    lines += [_rule({"yAxis": tick.at}) for tick in panel.y.ticks]
    lines += [_edge(edge, panel.x) for edge in panel.edges]
    lines += [_moment(moment) for moment in panel.moments]
    return [
        _series(row)
        | {
            "type": "line",
            "data": [],
            "markArea": {"silent": True, "data": areas},
            "markLine": {"silent": True, "symbol": "none", "animation": False, "data": lines},
        }
    ]


def _rule(where: Options) -> Options:
    return where | {"lineStyle": {"color": RULE, "type": "solid", "width": 1}, "label": {"show": False}}


def _band(moment: Moment) -> list[Options]:
    """How surely a moment is known: one standard deviation to either side."""
    style = {"color": FAINT, "opacity": 0.25}
    return [{"xAxis": moment.x - moment.sd, "itemStyle": style}, {"xAxis": moment.x + moment.sd}]


def _moment(moment: Moment) -> Options:
    label = {"show": bool(moment.name), "formatter": moment.name, "position": "start", "distance": 21}
    label |= {} if moment.anchor == "middle" else {"align": _ALIGNED[moment.anchor]}
    return {
        "xAxis": moment.x,
        "lineStyle": {"color": FAINT, "type": [2, 3], "width": 1},
        "label": _TEXT | label | {"fontSize": 11},
    }


def _area(box: Box) -> list[Options]:
    style: Options = {"color": CORRIDOR, "opacity": 1}
    label = {
        "show": bool(box.name),
        "position": "insideBottomRight",
        "color": SOFT,
        "fontSize": 11,
        "fontFamily": FONT,
    }
    return [
        {"coord": [box.x[0], box.y[0]], "name": box.name, "itemStyle": style, "label": label},
        {"coord": [box.x[1], box.y[1]]},
    ]  # fmt: skip


def _edge(edge: Edge, axis: Axis) -> list[Options]:
    where = "insideMiddleTop" if edge.outward > 0 else "insideMiddleBottom"
    if edge.kind == "window":
        # Beside its line, where no name of the corridor stands; toward the middle where the drawing ends.
        where = "end" if edge.x[1] < axis.lo + 0.75 * (axis.hi - axis.lo) else "start"
    label = _TEXT | _HALO | {"formatter": edge.name, "position": where, "fontSize": 11, "color": INK}
    style = {"color": EDGE, "width": 2, "type": "solid"}
    if edge.kind == "window":
        style = {"color": INK, "width": 2, "type": [6, 4]}
    return [
        {"coord": [edge.x[0], edge.y], "lineStyle": style, "label": label},
        {"coord": [edge.x[1], edge.y]},
    ]


def _items(panel: Panel, row: int) -> list[Options]:
    made = []
    for item in panel.items:
        look = LOOKS[item.look]
        shown = _series(row)
        match item:
            case Line():
                if not np.isfinite(item.x * item.y).any():
                    continue
                style = {"color": look.colour, "width": 2.4 if item.strong else 1.4}
                style["type"] = list(look.dash) if look.dash else "solid"
                made.append(
                    shown
                    | {
                        "type": "line",
                        "name": item.name,
                        "showSymbol": False,
                        "lineStyle": style,
                        "itemStyle": {"color": look.colour},
                        "data": _pairs(item.x, item.y),
                    }
                )
            case Dots():
                style = {"color": look.colour, "opacity": 0.55}
                made.append(
                    shown
                    | {"type": "scatter", "symbolSize": 4, "itemStyle": style, "data": _pairs(item.x, item.y)}
                )
            case Mark():
                made.append(shown | _mark(item, panel.x))
    return made


def _mark(mark: Mark, axis: Axis) -> Options:
    look = LOOKS[mark.look]
    style = {
        "color": PAPER if mark.look == "open" else look.colour,
        "borderColor": look.colour,
        "borderWidth": 1.5,
    }
    label = _TEXT | _HALO | {"show": bool(mark.name), "formatter": mark.name, "fontSize": 11, "color": INK}
    label["position"] = "right" if mark.x < (axis.lo + 2 * axis.hi) / 3 else "left"
    return {
        "type": "scatter", "symbol": _SYMBOLS[mark.shape], "symbolSize": 10, "itemStyle": style,
        "label": label, "data": [[mark.x, mark.y]],
    }  # fmt: skip


def _cursor(row: int) -> Options:
    line = {"color": INK, "type": "solid", "width": 1}
    mark_line = {"silent": True, "symbol": "none", "animation": False, "label": {"show": False}}
    return _series(row) | {
        "type": "scatter",
        "name": f"{CURSOR}{row}",
        "symbolSize": 9,
        "itemStyle": {"color": INK, "borderColor": PAPER, "borderWidth": 1},
        "data": [],
        "markLine": mark_line | {"lineStyle": line, "data": []},
    }


def _series(row: int) -> Options:
    return {
        "xAxisIndex": row,
        "yAxisIndex": row,
        "silent": True,
        "animation": False,
        "emphasis": {"disabled": True},
    }


def _pairs(x: NDArray[np.float64], y: NDArray[np.float64]) -> list[list[float | None]]:
    """Points as ECharts takes them, rounded to what a screen shows; a gap where one is NaN."""
    both = np.column_stack([np.broadcast_to(x, np.shape(y)), y])
    return [
        [round(a, 3), round(b, 2)] if np.isfinite(a) and np.isfinite(b) else [None, None]
        for a, b in both.tolist()
    ]
