"""The pictures of one swing, another pinned over it, and where the cursor stands on each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.channels import CHANNELS, FLEXION, ULNAR
from faultml.coaching.records import PlayerDrill
from faultml.coaching.window import LOWEST_SINCE
from faultml.desk.motion import RawCurves, SwingCurves
from faultml.drawings.corridor import CorridorBand
from faultml.drawings.motion import (
    IMPACT,
    MOMENT_HALF_WIDTH,
    PATH_END,
    PATH_MARKS,
    PHASE_AXIS,
    TOP,
    angle_angle_picture,
    channel_panel,
)
from faultml.drawings.records import Anchor, Axis, Edge, Item, Line, Mark, Moment, Panel, Picture, Tick
from faultml.drawings.words import CHANNEL_ENDS, CHANNEL_NAMES, degrees
from faultml.faults.catalogue import parse_position
from faultml.faults.measure import coordinate
from faultml.recordings.corrections import MOVABLE
from faultml.svg import padded_range, ticks_of

Array = NDArray[np.float64]

SHOWN: Final = "straight"
PINNED: Final = "pinned"
AROUND_S: Final = 0.8
"""So much of the recording is drawn before the takeaway and after impact where landmarks are moved, s."""
_ANCHORS: Final[tuple[Anchor, ...]] = ("middle", "end", "start")
SPEED_LOOKS: Final = ("bend", "hinge", "roll")
_SPEED_STEP_DPS: Final = 500.0


@dataclass(frozen=True)
class Onset:
    """Where a fault's curve first leaves the corridor."""

    channel: str
    phase: float


@dataclass(frozen=True)
class SwingPictures:
    """The linked drawings of a swing."""

    channels: Picture
    path: Picture
    speed: Picture

    def cursor(
        self, phase: float, shown: SwingCurves, pinned: SwingCurves | None
    ) -> tuple[
        list[list[tuple[float, float]]], list[list[tuple[float, float]]], list[list[tuple[float, float]]]
    ]:
        """Points to mark on channels, path and speed when the cursor stands at `phase`."""
        both = [each for each in (shown, pinned) if each is not None]
        angles = [each.at(phase) for each in both]
        recorded = [column for column in range(len(CHANNELS)) if np.isfinite(shown.d_deg[column]).any()]
        channels = [[(phase, float(own[column])) for own in angles] for column in recorded]
        path = [[(float(own[FLEXION]), float(own[ULNAR])) for own in angles]] if phase <= PATH_END else [[]]
        speed = [[(phase, float(value)) for value in shown.speed_at(phase)]]
        return channels, path, speed


def swing_pictures(
    shown: SwingCurves,
    pinned: SwingCurves | None,
    corridor: Sequence[CorridorBand],
    onsets: Sequence[Onset] = (),
    windows: Sequence[tuple[str, Edge]] = (),
) -> SwingPictures:
    """Draw a swing.

    Parameters
    ----------
    shown, pinned
        The swing, and one to see beside it.
    corridor
        The corridor.
    onsets
        Where faults begin.
    windows
        Where practice windows end, each with its channel.
    """
    moments = _landmarks(shown)
    panels = []
    for column, channel in enumerate(CHANNELS):
        if not np.isfinite(shown.d_deg[column]).any():
            continue
        items: list[Item] = []
        if pinned is not None:
            items.append(Line(pinned.phase, pinned.d_deg[column], PINNED))
        items.append(Line(shown.phase, shown.d_deg[column], SHOWN, strong=True))
        items += [
            Mark("triangle", onset.phase, float(shown.at(onset.phase)[column]), "open")
            for onset in onsets
            if onset.channel == channel
        ]
        ends = [edge for name, edge in windows if name == channel]
        panels.append(channel_panel(channel, items, corridor, moments, ends))
    return SwingPictures(
        Picture("Wrist bend, wrist hinge and forearm roll over the swing, with the corridor", tuple(panels)),
        _path(shown, pinned, corridor),
        _speed(shown),
    )


def window_edges(drill: PlayerDrill, curves: SwingCurves) -> list[tuple[str, Edge]]:
    """Where a drill's practice window ends on a swing's own curve, with the channel.

    Nothing for a spread over a session, and for a window on an absolute angle, which a swing's curve does not show.
    """
    if drill.window_reference in ("", "absolute") or not np.isfinite(drill.window_bound_deg):
        return []
    column = CHANNELS.index(drill.window_channel)
    first = coordinate(parse_position(drill.window_from))
    last = coordinate(parse_position(drill.window_to)) if drill.window_to else first
    reference = {
        "setup": 0.0,
        "top": float(curves.at(TOP)[column]),
        "impact": float(curves.at(IMPACT)[column]),
        "lowest": _lowest(curves, column, last),
    }[drill.window_reference]
    bound = reference + drill.window_bound_deg
    if np.isfinite(drill.window_guard_deg):
        # Met on the right side of either, so what is drawn is the one that is further out.
        bound = (max if drill.window_side == "below" else min)(bound, drill.window_guard_deg)
    if not np.isfinite(bound):
        return []
    widen = MOMENT_HALF_WIDTH if first == last else 0.0
    outward = 1 if drill.window_side == "below" else -1
    name = f"window {degrees(bound)}"
    return [(drill.window_channel, Edge((first - widen, last + widen), bound, outward, name, "window"))]


def _lowest(curves: SwingCurves, column: int, until: float) -> float:
    inside = (curves.phase >= coordinate(parse_position(LOWEST_SINCE))) & (curves.phase <= until)
    return float(curves.d_deg[column][inside].min()) if inside.any() else float("nan")


def raw_picture(raw: RawCurves) -> Picture:
    """The angles over time of a swing that was not assessed, as the recorder gave them."""
    ends = float(raw.t_s[0]), float(raw.t_s[-1])
    return Picture(
        "The recorded angles over time", _panels_over_time(raw.t_s, raw.angles_deg, ends, "unknown")
    )


def landmark_picture(over_time: RawCurves, landmarks_s: Sequence[float], sd_s: Sequence[float]) -> Picture:
    """The angles around a swing over time, with takeaway, top and impact to be moved.

    Parameters
    ----------
    landmarks_s, sd_s
        ``(3,)`` takeaway, top and impact on the recording's clock, and how surely they are known.
    """
    t_s = over_time.t_s + over_time.fastest_s
    lo = max(float(t_s[0]), min(landmarks_s) - AROUND_S)
    hi = min(float(t_s[-1]), max(landmarks_s) + AROUND_S)
    inside = (t_s >= lo) & (t_s <= hi)
    # Top and impact lie near each other: their names stand away from each other.
    moments = tuple(
        Moment(at, name, anchor, sd if np.isfinite(sd) else 0.0)
        for name, anchor, at, sd in zip(MOVABLE, _ANCHORS, landmarks_s, sd_s, strict=True)
    )
    panels = _panels_over_time(t_s[inside], over_time.angles_deg[:, inside], (lo, hi), SHOWN, moments)
    return Picture("The angles over time, with takeaway, top and impact", panels)


def _panels_over_time(
    t_s: Array, angles_deg: Array, ends_s: tuple[float, float], look: str, moments: tuple[Moment, ...] = ()
) -> tuple[Panel, ...]:
    """A panel for each angle that was recorded, over seconds."""
    panels = []
    for values, channel in zip(angles_deg, CHANNELS, strict=True):
        if not np.isfinite(values).any():
            continue
        y = padded_range(values, (-15, 15), 5)
        step = 20 if y[1] - y[0] < 110 else 40
        panels.append(
            Panel(
                CHANNEL_NAMES[channel],
                Axis(*ends_s, tuple(Tick(at, f"{at:g} s") for at in ticks_of(*ends_s, 0.5))),
                Axis(*y, tuple(Tick(at, degrees(at)) for at in ticks_of(*y, step)), *CHANNEL_ENDS[channel]),
                (Line(t_s, values, look, strong=True),),
                moments=moments,
            )
        )
    return tuple(panels)


def _landmarks(shown: SwingCurves) -> tuple[Moment, ...]:
    """Takeaway, top and impact with their uncertainty; the axis names them already."""
    sds = (sd if np.isfinite(sd) else 0.0 for sd in shown.landmarks_sd)
    return tuple(Moment(at, "", sd=min(sd, 0.5)) for at, sd in zip((0.0, 1.0, 2.0), sds, strict=True))


def _path(shown: SwingCurves, pinned: SwingCurves | None, corridor: Sequence[CorridorBand]) -> Picture:
    items: list[Item] = []
    for each, look in ((pinned, PINNED), (shown, SHOWN)):
        if each is None:
            continue
        inside = each.phase <= PATH_END
        items.append(Line(each.d_deg[FLEXION][inside], each.d_deg[ULNAR][inside], look, strong=each is shown))
        for moment, shape, name in PATH_MARKS:
            x, y = (float(value) for value in each.at(moment)[[FLEXION, ULNAR]])
            if np.isfinite(x) and np.isfinite(y):
                items.append(Mark(shape, x, y, look, name if each is shown else ""))
    every = np.stack([each.d_deg for each in (shown, pinned) if each is not None])
    return angle_angle_picture(items, every, corridor)


def _speed(shown: SwingCurves) -> Picture:
    lo, hi = padded_range(shown.speed_dps.ravel(), (-_SPEED_STEP_DPS, _SPEED_STEP_DPS), 250)
    ticks = tuple(Tick(at, f"{at:+.0f}" if at else "0") for at in ticks_of(lo, hi, _SPEED_STEP_DPS))
    lines = tuple(
        Line(shown.phase, shown.speed_dps[column], look, name=CHANNEL_NAMES[channel])
        for column, (channel, look) in enumerate(zip(CHANNELS, SPEED_LOOKS, strict=True))
        if np.isfinite(shown.speed_dps[column]).any()
    )
    panel = Panel("", PHASE_AXIS, Axis(lo, hi, ticks), lines)
    return Picture("How fast each angle changes over the swing", (panel,))
