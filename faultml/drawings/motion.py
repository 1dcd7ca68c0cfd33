"""Drawings of the motion itself: the channels over the swing, and bend against hinge."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.channels import CHANNELS, FLEXION, ULNAR
from faultml.drawings.corridor import CorridorBand, band_at
from faultml.drawings.records import (
    Axis,
    Box,
    Dots,
    Edge,
    Item,
    Line,
    Mark,
    Moment,
    Panel,
    Picture,
    Shape,
    Tick,
)
from faultml.drawings.traces import Traces
from faultml.drawings.words import CHANNEL_ENDS, CHANNEL_NAMES, degrees
from faultml.svg import padded_range, ticks_of

Array = NDArray[np.float64]

TOP: Final = 1.0
IMPACT: Final = 2.0
PATH_MARKS: Final[tuple[tuple[float, Shape, str], ...]] = (
    (TOP, "square", "top"),
    (1.56, "triangle", "arm level coming down"),
    (IMPACT, "diamond", "impact"),
)
MOMENTS: Final = (
    Moment(0.51, "shaft level"),
    Moment(1.56, "arm level"),
    Moment(2.30, "shaft level", "start"),
)
"""Body positions, with the anchor of their name: the last would run into "impact" from its middle."""

PHASE_AXIS: Final = Axis(0, 3, (Tick(0, "takeaway"), Tick(TOP, "top"), Tick(IMPACT, "impact")))

NAME_ROOM_DEG: Final = 13.0
"""Degrees of a panel that the name of an edge takes beyond it."""
MOMENT_HALF_WIDTH: Final = 0.045
"""Half the width, in phase, that an edge which holds at one moment is drawn with."""

PATH_END: Final = 2.5
"""Phase at which the path of an angle-angle diagram ends."""


def angle_angle(traces: Traces, corridor: Sequence[CorridorBand]) -> Picture:
    """Flexion (across) against ulnar deviation (up) from address, one degree as long on both axes."""
    items = [item for group in traces.groups() for item in _path(traces.of(traces.group == group), group)]
    return angle_angle_picture(items, traces.curves_deg, corridor)


def angle_angle_picture(
    items: Sequence[Item], curves_deg: Array, corridor: Sequence[CorridorBand]
) -> Picture:
    """The same of paths that are made already.

    Parameters
    ----------
    items
        What is drawn, flexion across and ulnar deviation up.
    curves_deg
        ``(n_swings, n_channels, n_phases)``, which the axes make room for.
    corridor
        The corridor.
    """
    flexion, ulnar = curves_deg[:, FLEXION], curves_deg[:, ULNAR]
    places = [(name, *_box(corridor, moment)) for moment, name in ((TOP, "top"), (IMPACT, "impact"))]
    edges_x = [edge for _, across, _ in places for edge in across]
    edges_y = [edge for _, _, up in places for edge in up]
    x = padded_range(flexion.ravel(), (min([-25.0, *edges_x]) - 4, max([35.0, *edges_x]) + 4), 5)
    y = padded_range(ulnar.ravel(), (min([-45.0, *edges_y]) - 4, max([20.0, *edges_y]) + 4), 5)
    boxes = tuple(
        Box((across[0], across[1]), (up[0], up[1]), f"corridor at {name}", outlined=True)
        for name, across, up in places
        if len(across) == len(up) == 2
    )
    start = Mark("circle", 0.0, 0.0, "open", "address")
    panel = Panel("", _degree_axis(x, "flexion_deg"), _degree_axis(y, "ulnar_deg"), (*items, start), boxes)
    return Picture(
        "Angle-angle diagram: wrist bend across, wrist hinge up, from address to impact and through",
        (panel,),
        square=True,
    )


def channel_curves(traces: Traces, corridor: Sequence[CorridorBand], label: str) -> Picture:
    """The channels over the swing, one panel under the other, each phase drawn as wide as the next.

    Parameters
    ----------
    traces
        Swings to draw, for instance those of one club.
    corridor
        The corridor.
    label
        What the drawing shows, for a screen reader.
    """
    panels = []
    for column, channel in enumerate(CHANNELS):
        items: list[Item] = []
        for group in traces.groups():
            swings = traces.of(traces.group == group)
            items += [Line(traces.phase, curve, group) for curve in swings.curves_deg[:, column]]
            items.append(Line(traces.phase, swings.median()[column], group, strong=True))
        if np.isfinite(traces.curves_deg[:, column]).any():
            panels.append(channel_panel(channel, items, corridor))
    return Picture(label, tuple(panels))


def channel_panel(
    channel: str,
    items: Sequence[Item],
    corridor: Sequence[CorridorBand],
    moments: Sequence[Moment] = (),
    windows: Sequence[Edge] = (),
) -> Panel:
    """One channel over the swing with its corridor.

    Parameters
    ----------
    channel
        Its name.
    items
        What is drawn, over phase and in degrees relative to address.
    corridor
        The corridor, of which this channel's bands are drawn.
    moments
        Moments named beside the usual body positions.
    windows
        Where practice windows end.
    """
    own = [band for band in corridor if band.channel == channel]
    named = [band.low.deg - NAME_ROOM_DEG for band in own if band.low]
    named += [band.high.deg + NAME_ROOM_DEG for band in own if band.high]
    named += [window.y + window.outward * NAME_ROOM_DEG for window in windows]
    drawn = [np.atleast_1d(item.y).ravel() for item in items]
    lo, hi = padded_range(np.concatenate([*drawn, named]), (-15, 15), 5)
    edges = [
        Edge(band_span(band), edge.deg, outward, f"{edge.name} {degrees(edge.deg)}")
        for band in own
        for edge, outward in ((band.low, -1), (band.high, 1))
        if edge
    ]
    boxes = [Box(band_span(band), (band.low.deg, band.high.deg)) for band in own if band.low and band.high]
    return Panel(
        CHANNEL_NAMES[channel],
        PHASE_AXIS,
        _degree_axis((lo, hi), channel, 20 if hi - lo < 110 else 40),
        tuple(items),
        tuple(boxes),
        (*edges, *windows),
        (*MOMENTS, *moments),
    )


def band_span(band: CorridorBand) -> tuple[float, float]:
    """The stretch of phase that a band is drawn over."""
    widen = MOMENT_HALF_WIDTH if band.start == band.end else 0.0
    return band.start - widen, band.end + widen


def _degree_axis(ends: tuple[float, float], channel: str, step: float = 20) -> Axis:
    ticks = tuple(Tick(at, degrees(at)) for at in ticks_of(*ends, step))
    return Axis(*ends, ticks, *CHANNEL_ENDS[channel])


def _box(corridor: Sequence[CorridorBand], moment: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
    found = (band_at(corridor, channel, moment) for channel in ("flexion_deg", "ulnar_deg"))
    across, up = (tuple(edge.deg for edge in band.edges()) if band else () for band in found)
    return across, up


def _path(traces: Traces, group: str) -> list[Item]:
    shown = traces.phase <= PATH_END
    items: list[Item] = [
        Line(swing[FLEXION], swing[ULNAR], group) for swing in traces.curves_deg[:, :, shown]
    ]
    median = traces.median()[:, shown]
    items.append(Line(median[FLEXION], median[ULNAR], group, strong=True))
    for moment, shape, name in PATH_MARKS:
        values = traces.at(moment)[:, [FLEXION, ULNAR]]
        items.append(Dots(values[:, 0], values[:, 1], group))
        centre = np.median(values, axis=0)
        if np.isfinite(centre).all():
            items.append(Mark(shape, float(centre[0]), float(centre[1]), group, name))
    return items
