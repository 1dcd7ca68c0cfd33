"""A drawing as data: panels with axes, and what lies on them in the order in which it is drawn.

Positions are in the units of the panel's axes, never in pixels. A **look** is a name of `faultml.drawings.looks`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Shape = Literal["circle", "square", "diamond", "triangle"]
Anchor = Literal["start", "middle", "end"]


@dataclass(frozen=True)
class Tick:
    """A place on an axis with its words."""

    at: float
    label: str


@dataclass(frozen=True)
class Axis:
    """An axis from `lo` to `hi`; `low` and `high` are the trade words of its two ends."""

    lo: float
    hi: float
    ticks: tuple[Tick, ...]
    low: str = ""
    high: str = ""


@dataclass(frozen=True)
class Line:
    """A line through points, broken where one is NaN.

    Attributes
    ----------
    x, y
        ``(n_points,)``.
    look
        Name of its look.
    strong
        Whether it is what the drawing is about, such as the median among swings.
    name
        What it is, for a legend; "" where it has no entry there.
    """

    x: Array
    y: Array
    look: str
    strong: bool = False
    name: str = ""


@dataclass(frozen=True)
class Dots:
    """Many small points of one kind, ``(n_points,)`` each; NaN is left out."""

    x: Array
    y: Array
    look: str


@dataclass(frozen=True)
class Mark:
    """One point that means something, distinguished by its shape."""

    shape: Shape
    x: float
    y: float
    look: str
    name: str = ""


@dataclass(frozen=True)
class Box:
    """A range on both axes: the corridor between two edges."""

    x: tuple[float, float]
    y: tuple[float, float]
    name: str = ""
    outlined: bool = False


@dataclass(frozen=True)
class Edge:
    """Where the corridor, or a drill's practice window, ends over a stretch of x.

    `outward` is +1 where the wrong side lies above, else -1.
    """

    x: tuple[float, float]
    y: float
    outward: int
    name: str
    kind: Literal["corridor", "window"] = "corridor"


@dataclass(frozen=True)
class Moment:
    """A moment that is named on the x axis and drawn as a vertical line; `sd` is its uncertainty, 0 where none."""

    x: float
    name: str
    anchor: Anchor = "middle"
    sd: float = 0.0


Item = Line | Dots | Mark


@dataclass(frozen=True)
class Panel:
    """One pair of axes and what lies on it; `items` are drawn in order, over boxes and edges."""

    title: str
    x: Axis
    y: Axis
    items: tuple[Item, ...] = ()
    boxes: tuple[Box, ...] = ()
    edges: tuple[Edge, ...] = ()
    moments: tuple[Moment, ...] = ()


@dataclass(frozen=True)
class Picture:
    """Panels one under the other, with a sentence that says what they show.

    Attributes
    ----------
    square
        Whether a unit is as long on both axes; a picture of one panel.
    """

    label: str
    panels: tuple[Panel, ...]
    square: bool = False
