"""A picture as SVG for a page that runs nothing; every colour lives in that page's style sheet."""

from __future__ import annotations

from typing import Final

from faultml.drawings.records import Box, Dots, Edge, Item, Line, Mark, Panel, Picture
from faultml.svg import Drawing, Markup, Scale, x_axis, y_axis

WIDTH: Final = 360
LEFT: Final = 34
_PANEL_PX: Final = 138
_GAP_PX: Final = 40
_FRINGE_PX: Final = 6.0
_LETTER_PX: Final = 5.9
"""Width of a letter of an edge's name, about: enough to keep the name on its panel."""


def as_svg(picture: Picture) -> Markup:
    """The picture as safe markup: panels one under the other, or one panel with a unit as long on both axes."""
    return _square(picture) if picture.square else _stacked(picture)


def _stacked(picture: Picture) -> Markup:
    right, top = 8, 16
    height = top + len(picture.panels) * (_PANEL_PX + _GAP_PX)
    drawing = Drawing(WIDTH, height, picture.label)
    for row, panel in enumerate(picture.panels):
        start = top + row * (_PANEL_PX + _GAP_PX)
        x = Scale(panel.x.lo, panel.x.hi, LEFT, WIDTH - right)
        y = Scale(panel.y.lo, panel.y.hi, start + _PANEL_PX, start)
        _axes(drawing, panel, x, y, y.end)
        for moment in panel.moments:
            drawing.line(x(moment.x), y.end, x(moment.x), y.start, class_="moment")
            place = x(moment.x) - (8 if moment.anchor == "start" else 0)
            drawing.text(place, y.start + 13, moment.name, class_="small", text_anchor=moment.anchor)
        drawing.text(x.start, y.end - 5, panel.title, class_="strong")
        drawing.text(
            x.end, y.end - 5, f"▴ {panel.y.high}   ▾ {panel.y.low}", class_="small", text_anchor="end"
        )
        for box in panel.boxes:
            _box(drawing, box, x, y)
        for edge in panel.edges:
            _edge(drawing, edge, x, y)
        for item in panel.items:
            _item(drawing, item, x, y)
        for edge in panel.edges:
            _edge_name(drawing, edge, x, y)
    return drawing.markup()


def _square(picture: Picture) -> Markup:
    right, top, bottom = 16, 18, 30
    (panel,) = picture.panels
    per_unit = (WIDTH - LEFT - right) / (panel.x.hi - panel.x.lo)
    height = round(top + bottom + (panel.y.hi - panel.y.lo) * per_unit)
    x = Scale(panel.x.lo, panel.x.hi, LEFT, WIDTH - right)
    y = Scale(panel.y.lo, panel.y.hi, height - bottom, top)
    drawing = Drawing(WIDTH, height, picture.label)
    for box in panel.boxes:
        _box(drawing, box, x, y)
    _axes(drawing, panel, x, y, top)
    drawing.text(LEFT, height - 4, f"◂ {panel.x.low}", class_="small")
    drawing.text(WIDTH - right, height - 4, f"{panel.x.high} ▸", class_="small", text_anchor="end")
    drawing.text(LEFT, 11, f"▴ {panel.y.high}", class_="small")
    drawing.text(LEFT + 4, height - bottom - 5, f"▾ {panel.y.low}", class_="small halo")
    for item in panel.items:
        _item(drawing, item, x, y)
    for box in panel.boxes:
        drawing.text(x(box.x[1]) - 3, y(box.y[0]) - 4, box.name, class_="small halo", text_anchor="end")
    return drawing.markup()


def _axes(drawing: Drawing, panel: Panel, x: Scale, y: Scale, top: float) -> None:
    y_axis(drawing, y, x.start, [(tick.at, tick.label) for tick in panel.y.ticks], x.end)
    x_axis(drawing, x, y.start, [(tick.at, tick.label) for tick in panel.x.ticks], top)


def _box(drawing: Drawing, box: Box, x: Scale, y: Scale) -> None:
    corners = x(box.x[0]), y(box.y[0]), x(box.x[1]), y(box.y[1])
    drawing.rect(*corners, class_="corridor")
    if box.outlined:
        drawing.rect(*corners, class_="edge")


def _edge(drawing: Drawing, edge: Edge, x: Scale, y: Scale) -> None:
    first, last = x(edge.x[0]), x(edge.x[1])
    if edge.kind == "window":
        drawing.line(first, y(edge.y), last, y(edge.y), class_="edge", stroke_dasharray="5 3")
        return
    drawing.rect(first, y(edge.y), last, y(edge.y) - edge.outward * _FRINGE_PX, class_="outside")
    drawing.line(first, y(edge.y), last, y(edge.y), class_="edge")


def _edge_name(drawing: Drawing, edge: Edge, x: Scale, y: Scale) -> None:
    half = _LETTER_PX * len(edge.name) / 2
    middle = min(max((x(edge.x[0]) + x(edge.x[1])) / 2, x.start + half), x.end - half)
    offset = _FRINGE_PX + 9 if edge.outward < 0 else -_FRINGE_PX - 3
    drawing.text(middle, y(edge.y) + offset, edge.name, class_="small halo", text_anchor="middle")


def _item(drawing: Drawing, item: Item, x: Scale, y: Scale) -> None:
    match item:
        case Line():
            look = f"trace median {item.look}" if item.strong else f"trace {item.look}"
            drawing.trace(x.array(item.x), y.array(item.y), class_=look)
        case Dots():
            drawing.dots(x.array(item.x), y.array(item.y), class_=f"dots {item.look}")
        case Mark():
            size = 4.0 if item.look == "open" else 4.5
            drawing.mark(item.shape, x(item.x), y(item.y), size, class_=f"mark {item.look}")
