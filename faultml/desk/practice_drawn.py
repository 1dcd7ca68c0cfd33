"""The angle that a drill's window reads over the last seconds, with the window on it."""

from __future__ import annotations

from collections import deque
from typing import Final

import numpy as np

from faultml.channels import CHANNELS
from faultml.coaching.window import Window
from faultml.drawings.motion import NAME_ROOM_DEG
from faultml.drawings.records import Axis, Edge, Line, Panel, Picture, Tick
from faultml.drawings.words import CHANNEL_ENDS, CHANNEL_NAMES, degrees
from faultml.practice.frames import Sample
from faultml.practice.judge import Target
from faultml.svg import padded_range, ticks_of

SPAN_S: Final = 12.0
_STEP_S: Final = 0.035
_NAMED_S: Final = 3.2
"""Room for the name of the window's line, beside it."""
_AXIS: Final = Axis(-SPAN_S, 0, (Tick(-12, "12 s ago"), Tick(-8, "8 s"), Tick(-4, "4 s"), Tick(0, "now")))
_FROM: Final = {"top": "your usual top", "impact": "your usual ball", "lowest": "your usual full hinge"}


class Trace:
    """The last seconds of practice of one drill."""

    def __init__(self, target: Target) -> None:
        self._target = target
        self._channel = CHANNELS.index(target.window.channel)
        self._points: deque[tuple[float, float]] = deque()
        self._ends = (-15.0, 15.0)
        self.setup_deg = target.usual_setup_deg

    def add(self, sample: Sample) -> None:
        """Keep a sample; more than a drawing shows are left out."""
        if self._points and sample.t_s < self._points[-1][0]:
            self._points.clear()
        if self._points and sample.t_s - self._points[-1][0] < _STEP_S:
            return
        self._points.append((sample.t_s, sample[1 + self._channel]))
        while self._points[0][0] < sample.t_s - SPAN_S:
            self._points.popleft()

    def picture(self) -> Picture:
        """The trace relative to the setup that was taken last, and where the window ends from that setup."""
        channel = self._target.window.channel
        zero = self.setup_deg[self._channel]
        points = np.array(self._points, dtype=float).reshape(-1, 2)
        t_s = points[:, 0] - points[-1, 0] if len(points) else points[:, 0]
        y_deg = points[:, 1] - zero
        edges = self._edges(zero)
        seen = np.concatenate([y_deg, [edge.y + edge.outward * NAME_ROOM_DEG for edge in edges]])
        lo, hi = padded_range(seen, self._ends, 5)
        # It grows and never shrinks, so that the curve does not jump while somebody watches it.
        self._ends = (min(lo, self._ends[0]), max(hi, self._ends[1]))
        lo, hi = self._ends
        ticks = tuple(Tick(at, degrees(at)) for at in ticks_of(lo, hi, 20 if hi - lo < 110 else 40))
        panel = Panel(
            CHANNEL_NAMES[channel],
            _AXIS,
            Axis(lo, hi, ticks, *CHANNEL_ENDS[channel]),
            (Line(t_s, y_deg, "straight", strong=True),),
            edges=edges,
        )
        return Picture(
            f"Your {CHANNEL_NAMES[channel]} over the last {SPAN_S:.0f} seconds, and where the drill's window ends",
            (panel,),
        )

    def _edges(self, zero_deg: float) -> tuple[Edge, ...]:
        placed = self._target.placed_at(self.setup_deg)
        window = placed.window
        if not placed.usable or not isinstance(window, Window) or not np.isfinite(placed.absolute_deg):
            return ()
        bound = placed.absolute_deg - zero_deg
        if window.guard_deg is not None:
            # Met on the right side of either, so what is drawn is the one that is further out.
            bound = (max if window.side == "below" else min)(bound, window.guard_deg)
        outward = 1 if window.side == "below" else -1
        return (Edge((_NAMED_S - SPAN_S, 0.0), bound, outward, f"window {degrees(bound)}", "window"),)

    def window_words(self) -> str:
        """What the line of the window means."""
        window = self._target.window
        verb = "Stay" if window.must == "stay" else "Reach"
        where = f"{verb} on the {CHANNEL_ENDS[window.channel][window.side == 'above']} side of the line"
        if window.reference in _FROM:
            return f"{where}. It is drawn from {_FROM[window.reference]}; each repetition is judged from its own."
        return f"{where}, which is drawn from your setup."
