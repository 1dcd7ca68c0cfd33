"""A small SVG writer: linear scales, axes, paths and marks for the figures of a page.

Own code rather than a plotting library: a season's page holds hundreds of small figures, text has to stay
text (for search, screen readers and print), and every colour has to live in the page's one style sheet. All
text and attribute values are escaped here.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from faultml.errors import MissingExtraError

try:
    from markupsafe import Markup as Markup
    from markupsafe import escape
except ImportError as error:
    install = "pip install 'faultml[report]'"
    raise MissingExtraError(
        "missing-extra", where="figures", expected=install, found="no MarkupSafe"
    ) from error

TRACE_SCALE: Final = 4
"""Traces are written as whole numbers of a quarter pixel: half the bytes of decimals at the same look."""


@dataclass(frozen=True)
class Scale:
    """A linear map from data to pixels.

    Parameters
    ----------
    lo, hi
        Ends of the data.
    start, end
        Pixels they fall on (`start` may be larger, as it is on an upward axis).
    """

    lo: float
    hi: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        """Pixel of one value."""
        return self.start + (value - self.lo) * self.per_unit

    def array(self, values: ArrayLike) -> NDArray[np.float64]:
        """Pixels of many values, NaN kept."""
        return self.start + (np.asarray(values, dtype=float) - self.lo) * self.per_unit

    @property
    def per_unit(self) -> float:
        """Pixels for one unit of the data, signed."""
        return (self.end - self.start) / (self.hi - self.lo)

    def clip(self, value: float) -> float:
        """`value`, held inside the scale."""
        return min(max(value, self.lo), self.hi)

    def ticks(self, step: float) -> list[float]:
        """Multiples of `step` inside the scale."""
        return ticks_of(self.lo, self.hi, step)


def ticks_of(lo: float, hi: float, step: float) -> list[float]:
    """Multiples of `step` from `lo` to `hi`."""
    first, last = int(np.ceil(lo / step - 1e-9)), int(np.floor(hi / step + 1e-9))
    return [index * step for index in range(first, last + 1)]


def _number(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0").replace("-0.", "-.").removeprefix("0") or "0"


def _attributes(attributes: dict[str, object]) -> str:
    parts = []
    for name, value in attributes.items():
        shown = _number(value) if isinstance(value, float) else value
        parts.append(f' {name.rstrip("_").replace("_", "-")}="{escape(shown)}"')
    return "".join(parts)


class Drawing:
    """One figure of `width` x `height` pixels, with a sentence that says what it shows; without one it is decoration.

    Methods add an element and take further attributes as keywords (``class_`` for class, ``_`` for a hyphen).
    """

    def __init__(self, width: int, height: int, label: str, class_: str = "figure") -> None:
        self.width = width
        self.height = height
        seen_as = f'role="img" aria-label="{escape(label)}"' if label else 'aria-hidden="true"'
        self._parts = [
            f'<svg class="{escape(class_)}" viewBox="0 0 {width} {height}" width="{width}" height="{height}"'
            f" {seen_as}>"
        ]

    def add(self, tag: str, body: str | None = None, /, **attributes: object) -> None:
        """One element; `body` is text and is escaped."""
        inside = "/>" if body is None else f">{escape(body)}</{tag}>"
        self._parts.append(f"<{tag}{_attributes(attributes)}{inside}")

    def line(self, x1: float, y1: float, x2: float, y2: float, **attributes: object) -> None:
        """A straight line."""
        self.add("path", d=f"M{_number(x1)} {_number(y1)}L{_number(x2)} {_number(y2)}", **attributes)

    def rect(self, x1: float, y1: float, x2: float, y2: float, **attributes: object) -> None:
        """A rectangle between two corners, in any order."""
        x, y, width, height = min(x1, x2), min(y1, y2), abs(x2 - x1), abs(y2 - y1)
        self.add("rect", x=float(x), y=float(y), width=float(width), height=float(height), **attributes)

    def text(self, x: float, y: float, body: str, **attributes: object) -> None:
        """Text with its baseline at `y`."""
        self.add("text", body, x=float(x), y=float(y), **attributes)

    def mark(self, shape: str, x: float, y: float, size: float = 4.0, **attributes: object) -> None:
        """A mark distinguished by its shape: circle, square, diamond, triangle or cross."""
        if shape == "circle":
            self.add("circle", cx=float(x), cy=float(y), r=float(size), **attributes)
            return
        corners = [f"{_number(x + size * a)} {_number(y + size * b)}" for a, b in _CORNERS[shape]]
        strokes = (corners[:2], corners[2:]) if shape == "cross" else (corners,)
        end = "" if shape == "cross" else "Z"
        self.add("path", d="".join(f"M{'L'.join(stroke)}{end}" for stroke in strokes), **attributes)

    def trace(self, x: ArrayLike, y: ArrayLike, **attributes: object) -> None:
        """A line through points in pixels; NaN breaks it. Its style needs a stroke that does not scale."""
        data = trace_path(x, y)
        if data:
            self.add("path", d=data, transform=f"scale({1 / TRACE_SCALE})", **attributes)

    def dots(self, x: ArrayLike, y: ArrayLike, **attributes: object) -> None:
        """Many small dots as one path; their style needs a stroke with round ends. NaN is left out."""
        points = np.column_stack([np.asarray(x, dtype=float), np.asarray(y, dtype=float)])
        shown = points[np.isfinite(points).all(axis=1)].tolist()
        if shown:
            self.add("path", d="".join(f"M{_number(a)} {_number(b)}h0" for a, b in shown), **attributes)

    def markup(self) -> Markup:
        """The figure as safe markup."""
        return Markup("".join(self._parts) + "</svg>")

    def file(self, style: str) -> str:
        """The figure as a file of its own, with the style sheet that a page would hold."""
        first, *rest = self._parts
        first = first.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
        return f"{first}<style>{escape(style.strip())}</style>{''.join(rest)}</svg>\n"


_CORNERS: Final = {
    "square": ((-0.9, -0.9), (0.9, -0.9), (0.9, 0.9), (-0.9, 0.9)),
    "diamond": ((0, -1.3), (1.3, 0), (0, 1.3), (-1.3, 0)),
    "triangle": ((0, -1.2), (1.1, 0.9), (-1.1, 0.9)),
    "cross": ((-1, -1), (1, 1), (-1, 1), (1, -1)),
}


def trace_path(x: ArrayLike, y: ArrayLike) -> str:
    """Path data in relative quarter pixels for points in pixels; one run for every stretch without NaN."""
    points = np.column_stack([np.asarray(x, dtype=float), np.asarray(y, dtype=float)]) * TRACE_SCALE
    finite = np.isfinite(points).all(axis=1)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], finite.astype(int), [0]])))
    return "".join(_run(np.rint(points[a:b]).astype(int)) for a, b in edges.reshape(-1, 2) if b - a > 1)


def _run(points: NDArray[np.int_]) -> str:
    steps = np.diff(points, axis=0).ravel().tolist()
    text = "".join(f"{step}" if step < 0 else f" {step}" for step in steps)
    return f"M{points[0, 0]} {points[0, 1]}l{text.lstrip()}"


def x_axis(
    drawing: Drawing, scale: Scale, y: float, ticks: Iterable[tuple[float, str]], top: float | None = None
) -> None:
    """Tick labels under `y`, with grid lines up to `top` where it is given."""
    for value, label in ticks:
        x = scale(value)
        if top is not None:
            drawing.line(x, top, x, y, class_="grid")
        drawing.text(x, y + 13, label, class_="tick", text_anchor="middle")


def y_axis(
    drawing: Drawing, scale: Scale, x: float, ticks: Iterable[tuple[float, str]], right: float
) -> None:
    """Tick labels left of `x` and grid lines from there to `right`."""
    for value, label in ticks:
        y = scale(value)
        drawing.line(x, y, right, y, class_="grid zero" if value == 0 else "grid")
        drawing.text(x - 4, y + 3.5, label, class_="tick", text_anchor="end")


def padded_range(
    values: Sequence[float] | NDArray[np.float64], least: tuple[float, float], step: float
) -> tuple[float, float]:
    """Whole multiples of `step` around the finite values and the `least` range."""
    finite = np.asarray(values, dtype=float)
    finite = finite[np.isfinite(finite)]
    lo, hi = finite.min(initial=least[0]), finite.max(initial=least[1])
    return float(np.floor(lo / step) * step), float(np.ceil(hi / step) * step)
