"""The page of ``faultml simulate --figures``: every fault pattern, and the season beside published figures."""

from __future__ import annotations

from itertools import groupby
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.channels import CHANNELS
from faultml.errors import InputError, MissingExtraError
from faultml.faults.catalogue import Catalogue, Fault
from faultml.faults.measure import PHASE_GRID, grid_index
from faultml.svg import Drawing, Markup, Scale, padded_range, x_axis, y_axis
from faultml.synthetic.pairs import FaultPair, draw_pairs
from faultml.synthetic.patterns import load_patterns
from faultml.synthetic.realised import Published, TrueSwings, load_published, read_true_swings, realised
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import roster_golfers

Array = NDArray[np.float64]

CHANNEL_WORDS: Final = (
    "Flexion (bowed +, cupped −)",
    "Ulnar deviation (unhinged +, hinged −)",
    "Forearm (rolls open +, closed −)",
)
LANDMARK_TICKS: Final = ((0.0, "takeaway"), (1.0, "top"), (2.0, "impact"))
OUTSIDE_PX: Final = 7.0
HISTOGRAM_BINS: Final = 44


def write_figures(catalogue: Catalogue, recipe: Recipe, truth: Path, page: Path) -> Path:
    """Write the pictures of a drawn season as one offline page, whole or not at all; returns `page`.

    Parameters
    ----------
    catalogue, recipe
        What the season was drawn from.
    truth
        The season's ``truth/`` folder, as `write_synthetic` leaves it.
    page
        The file to write; its folder exists.

    Raises
    ------
    InputError
        Where the page cannot be written.
    MissingExtraError
        Where Jinja2 is not installed.
    """
    swings = read_true_swings(truth)
    golfers = roster_golfers(catalogue, recipe)
    values = realised(swings, golfers)
    text = _fill(
        recipe=recipe,
        n_swings=len(swings.table),
        n_golfers=len(golfers),
        groups=[
            (name, [_figure_row(figure, values[figure.id]) for figure in figures])
            for name, figures in groupby(load_published(), key=lambda figure: figure.group)
        ],
        patterns=[_pattern_row(catalogue, pair, swings) for pair in draw_pairs(catalogue, recipe.seed)],
    )
    part = page.with_name(f".{page.name}.part")
    try:
        part.write_text(text, encoding="utf-8")
        part.replace(page)
    except OSError as error:
        raise InputError("not-writable", where=str(page), found=error.strerror or str(error)) from error
    return page


def _fill(**content: object) -> str:
    try:
        import jinja2
    except ImportError as error:
        install = "pip install 'faultml[report]'"
        raise MissingExtraError(
            "missing-extra", where="figures", expected=install, found="no Jinja2"
        ) from error
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("faultml.synthetic"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    return environment.get_template("figures.html").render(**content)


def _figure_row(figure: Published, values: Array) -> dict[str, object]:
    return {"figure": figure, "realised": _in_words(figure, values), "chart": _histogram(figure, values)}


def _in_words(figure: Published, values: Array) -> str:
    def say(value: float) -> str:
        return f"{value:.{figure.decimals}f}{figure.unit}".replace("-", "−")

    values = values[np.isfinite(values)]
    if not len(values):
        return "not to be had: too few swings"
    match figure.summary:
        case "value":
            return say(values[0])
        case "mean":
            return f"{say(values.mean())} (SD {say(values.std())})"
        case "median":
            low, first, middle, third, high = map(say, np.quantile(values, [0.05, 0.25, 0.5, 0.75, 0.95]))
            return f"median {middle}, quartiles {first} to {third}, 5 to 95 %: {low} to {high}"


def _histogram(figure: Published, values: Array) -> Markup:
    """The season's values as bars, the published band behind them and its single values as triangles on top."""
    width, height, left, right, top, bottom = 250, 66, 8, 8, 12, 18
    drawing = Drawing(width, height, f"{figure.name}: the season in bars, published {figure.published}")
    x = Scale(*figure.axis, left, width - right)
    base = height - bottom
    if figure.band:
        drawing.rect(x(figure.band[0]), top, x(figure.band[1]), base, class_="band")
    values = np.clip(values[np.isfinite(values)], *figure.axis)
    if figure.summary == "value":
        for value in values:
            drawing.mark("diamond", x(value), base - 7, 5, class_="mark")
    else:
        counts, ends = np.histogram(values, HISTOGRAM_BINS, figure.axis)
        y = Scale(0, max(counts.max(), 1), base, top + 3)
        for count, start, end in zip(counts, ends[:-1], ends[1:], strict=True):
            if count:
                drawing.rect(x(start) + 0.4, base, x(end) - 0.4, y(count), class_="bar")
    drawing.line(left, base, width - right, base, class_="axis")
    for value in figure.marks:
        drawing.line(x(value), top, x(value), base, class_="published")
        drawing.mark(
            "triangle",
            x(value),
            top - 4,
            4,
            class_="published",
            transform=f"rotate(180 {x(value):.1f} {top - 4})",
        )
    ends_and_middle = (figure.axis[0], sum(figure.axis) / 2, figure.axis[1])
    for value, anchor in zip(ends_and_middle, ("start", "middle", "end"), strict=True):
        label = f"{value:.{figure.decimals}f}".replace("-", "−")
        drawing.text(x(value), height - 5, label, class_="tick", text_anchor=anchor)
    return drawing.markup()


def _pattern_row(catalogue: Catalogue, pair: FaultPair, swings: TrueSwings) -> dict[str, object]:
    fault, pattern = catalogue[pair.fault], load_patterns()[pair.fault]
    measured = swings.table[f"measure_{fault.id}"].to_numpy(float)
    unit, decimals = ("°", 0) if fault.unit == "deg" else ("", 2)

    def say(value: float) -> str:
        return f"{value:+.{decimals}f}{unit}".replace("-", "−") if unit else f"{value:.{decimals}f}"

    def size(value: float) -> str:
        return f"{abs(value):.{decimals}f}{unit}"

    return {
        "fault": fault,
        "edge": f"{fault.side} {say(fault.edge)}",
        "measured": [(name, say(getattr(pair, name).measure)) for name in ("clean", "typical", "largest")],
        "sizes": f"from {size(pattern.size.low)} inside the edge, typically {size(pattern.size.typical)} past it,"
        f" at most {size(pattern.size.high)}",
        "brings": [(catalogue[brought.fault].name, f"{brought.chance:.0%}") for brought in pattern.brings],
        "shown_by": f"{np.mean(fault.sign * (measured - fault.edge) > 0):.0%}",
        "charts": [_curves(fault, pair, channel) for channel in range(len(CHANNELS))],
    }


def _curves(fault: Fault, pair: FaultPair, channel: int) -> Markup:
    """One channel over the swing's phases: clean dashed, with the fault solid, and the edge where it is judged."""
    width, height, left, right, top, bottom = 300, 168, 34, 6, 18, 22
    drawing = Drawing(
        width, height, f"{CHANNEL_WORDS[channel]} of {fault.name}: a clean swing and the same with the fault"
    )
    curves = {name: getattr(pair, name).curves_deg[channel] for name in ("clean", "largest", "typical")}
    low, high = padded_range(np.concatenate(list(curves.values())), (-40.0, 40.0), 20)
    x, y = Scale(PHASE_GRID[0], PHASE_GRID[-1], left, width - right), Scale(low, high, height - bottom, top)
    y_axis(
        drawing,
        y,
        left,
        [(tick, f"{tick:.0f}°".replace("-", "−")) for tick in y.ticks(40 if high - low > 120 else 20)],
        width - right,
    )
    x_axis(drawing, x, height - bottom, LANDMARK_TICKS, top)
    drawing.text(left, 11, CHANNEL_WORDS[channel], class_="title")
    for name, curve in curves.items():
        drawing.trace(x.array(PHASE_GRID), y.array(curve), class_=f"trace {name}")
    if channel == fault.measure.channel_index:
        _edge(drawing, x, y, fault, pair)
    return drawing.markup()


def _edge(drawing: Drawing, x: Scale, y: Scale, fault: Fault, pair: FaultPair) -> None:
    """The corridor's edge where the fault is judged, with its outside hatched."""
    reading = fault.measure
    if reading.stat == "release":
        place = x(1 + fault.edge)
        drawing.rect(x(1), y.start, place, y.end, class_="outside")
        drawing.line(place, y.start, place, y.end, class_="edge")
        for name in ("clean", "typical"):
            picture = getattr(pair, name)
            spent = 1 + picture.measure
            level = np.interp(spent, PHASE_GRID, picture.curves_deg[reading.channel_index])
            drawing.mark("diamond", x(spent), y(float(level)), 4, class_=f"mark {name}")
        return
    first, last = (PHASE_GRID[grid_index(position)] for position in reading.span)
    level, outward = _edge_level(fault, pair.typical.curves_deg[reading.channel_index])
    if reading.stat == "change":
        first = last = max(first, last)
    start, end = x(first) - (first == last) * 9, x(last) + (first == last) * 9
    level = y.clip(level)
    drawing.rect(start, y(level), end, y(level) - outward * OUTSIDE_PX, class_="outside")
    drawing.line(start, y(level), end, y(level), class_="edge")


def _edge_level(fault: Fault, curve_deg: Array) -> tuple[float, int]:
    """The angle at which the edge lies on a curve, and on which side of it (+1 above) the fault is.

    A drop or change is counted from the curve's own earlier moment.
    """
    reading = fault.measure
    first, last = (grid_index(position) for position in reading.span)
    if reading.stat == "drop":
        return float(curve_deg[first] - fault.edge), -fault.sign
    if reading.stat == "change":
        direction = 1 if first < last else -1
        return float(curve_deg[min(first, last)] + direction * fault.edge), fault.sign * direction
    return fault.edge, fault.sign
