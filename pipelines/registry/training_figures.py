"""Figures of a training, each a picture that stands alone: SVG with its style inside, described in one sentence."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from faultml.classifier.coach_adaptation import CoachAdaptation
from faultml.faults.catalogue import Catalogue
from faultml.svg import Drawing, Scale, padded_range, x_axis, y_axis

_STYLE: Final = (
    "text{font:12px sans-serif;fill:#222}.tick{font-size:10px;fill:#555}.grid{stroke:#ddd;fill:none}.zero{stroke:#888}"
    ".line{fill:none;stroke:#1f5a7a;stroke-width:1.5;vector-effect:non-scaling-stroke}.second{stroke-dasharray:6 3}"
    ".mark{fill:#1f5a7a;stroke:#1f5a7a}.ideal{stroke:#888;stroke-dasharray:3 3}"
)
_LINES: Final = ("line", "line second")
_Z90: Final = 1.645


def reliability_figure(name: str, bins: Sequence[Mapping[str, float]]) -> str:
    """How often what was predicted came true, `bins` as of `pipelines.training.evaluate.reliability`."""
    drawing, x, y = _square(f"{name}, synthetic: share of yes against the predicted probability")
    drawing.line(x(0), y(0), x(1), y(1), class_="ideal")
    points = [(x(each["predicted"]), y(each["observed"])) for each in bins]
    drawing.trace(*zip(*points, strict=True), class_="line")
    for across, up in points:
        drawing.mark("circle", across, up, 3.0, class_="mark")
    return _standing(drawing, "predicted probability", "share of yes")


def learning_figure(coach: str, curve: Sequence[Mapping[str, float]]) -> str:
    """Log loss on golfers held out against the number of golfers learned from: of the model, and of the adaptation."""
    losses = [each[name] for each in curve for name in ("default", "adapted")]
    low, high = padded_range(losses, (min(losses), max(losses)), 0.05)
    most = max(each["golfers"] for each in curve)
    drawing = Drawing(420, 320, f"{coach}: log loss on golfers held out, by golfers learned from")
    x, y = Scale(0, most, 60, 400), Scale(low, high, 270, 30)
    x_axis(drawing, x, 270, [(each["golfers"], f"{each['golfers']:.0f}") for each in curve], 30)
    y_axis(drawing, y, 60, [(tick, f"{tick:.2f}") for tick in y.ticks(0.05)], 400)
    for number, name in enumerate(("default", "adapted")):
        across, up = x.array([each["golfers"] for each in curve]), y.array([each[name] for each in curve])
        drawing.trace(across, up, class_=_LINES[number])
        for point in zip(across, up, strict=True):
            drawing.mark(("circle", "square")[number], *point, 3.0, class_="mark")
        _key(drawing, number, name, _LINES[number])
    return _standing(drawing, "golfers learned from", "log loss")


def edges_figure(adaptation: CoachAdaptation, catalogue: Catalogue) -> str:
    """How far each edge was moved, in softnesses of the catalogue's edge, with a 90 % interval."""
    height = 60 + 18 * len(adaptation.faults)
    drawing = Drawing(
        560, height, f"{adaptation.coach}: how far each edge lies past the catalogue's, 90 % intervals"
    )
    shift = {
        name: np.array([seen.shift - _Z90 * seen.shift_sd, seen.shift, seen.shift + _Z90 * seen.shift_sd])
        / getattr(catalogue.softness, catalogue[name].unit)
        for name, seen in adaptation.faults.items()
    }
    x = Scale(*padded_range(np.concatenate([*shift.values(), [-1, 1]]), (-1, 1), 1.0), 180, 540)
    x_axis(drawing, x, height - 40, [(tick, f"{tick:+.0f}") for tick in x.ticks(1.0)], 12)
    for row, (name, (low, middle, high)) in enumerate(shift.items()):
        across = 24 + 18 * row
        drawing.text(170, across + 4, name, text_anchor="end")
        drawing.line(x(low), across, x(high), across, class_="line")
        drawing.mark("circle", x(middle), across, 3.5, class_="mark")
    drawing.line(x(0), 12, x(0), height - 40, class_="zero")
    return _standing(drawing, "softnesses past the catalogue's edge (4 degrees, 0.04 of the downswing)", "")


def _square(label: str) -> tuple[Drawing, Scale, Scale]:
    drawing = Drawing(420, 320, label)
    x, y = Scale(0, 1, 60, 400), Scale(0, 1, 270, 30)
    for axis, scale, at, to in ((x_axis, x, 270, 30), (y_axis, y, 60, 400)):
        axis(drawing, scale, at, [(tick, f"{tick:.0%}") for tick in scale.ticks(0.2)], to)
    return drawing, x, y


def _key(drawing: Drawing, number: int, name: str, style: str) -> None:
    up = 42 + 15 * number
    drawing.line(72, up, 100, up, class_=style)
    drawing.text(106, up + 4, name)


def _standing(drawing: Drawing, across: str, up: str) -> str:
    """The picture with its axes named and its style inside, so that it can be opened by itself."""
    drawing.text(drawing.width / 2, drawing.height - 8, across, text_anchor="middle")
    drawing.text(8, 18, up)
    return drawing.file(_STYLE)
