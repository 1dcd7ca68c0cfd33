"""Linked drawings of a swing on a page: one cursor moves all of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from nicegui import ui
from nicegui.events import GenericEventArguments

from faultml.channels import CHANNELS
from faultml.desk.drawn import Onset, SwingPictures, swing_pictures
from faultml.desk.motion import SwingCurves
from faultml.desk.words import Words, heading, para
from faultml.drawings.corridor import CorridorBand
from faultml.drawings.echarts import as_echarts, cursor_series, height_css
from faultml.drawings.records import Edge, Picture
from faultml.drawings.words import CHANNEL_NAMES, degrees

CURSOR_STEP: Final = 0.02
_MOVE_S: Final = 0.03
"""How often a moving mouse is followed."""

_PHASE_AT_MOUSE: Final = """(event) => {{
  const chart = getElement({id})?.chart;
  if (!chart) return;
  const at = chart.convertFromPixel({{ gridIndex: 0 }}, [event.offsetX, event.offsetY]);
  if (at && at[0] >= 0 && at[0] <= 3) emit(at[0]);
}}"""


@dataclass(frozen=True)
class Shown:
    """What is drawn: a swing, one pinned over it with its name, the corridor, where faults begin, practice windows."""

    curves: SwingCurves
    pinned: tuple[str, SwingCurves] | None = None
    corridor: Sequence[CorridorBand] = ()
    onsets: Sequence[Onset] = ()
    windows: Sequence[tuple[str, Edge]] = ()


class LinkedDrawings:
    """The drawings of one swing; made inside the element that is open. `on_move` hears where the cursor goes."""

    def __init__(
        self, shown: Shown, phase: float, on_move: Callable[[SwingCurves, float], None] | None = None
    ) -> None:
        self.phase = phase
        self._on_move = on_move
        self._shown = shown
        self._pictures = _pictures(shown)
        self._pinned = para("", "key")
        with ui.element("div").classes("columns"):
            with ui.element("div"):
                channels = self._phase_chart(self._pictures.channels)
                self._explained = para("", "note")
            with ui.element("div"):
                self._build_read_out()
                heading(2, "Bend against hinge").classes("small-head")
                with ui.element("div").classes("square"):
                    path = plain_chart(self._pictures.path)
                heading(2, "Speed, degrees a second").classes("small-head")
                self._charts = [channels, path, self._phase_chart(self._pictures.speed)]
                self.beside = ui.element("div")
        self._say()
        self._move(phase)

    def show(self, shown: Shown) -> bool:
        """Draw another swing in place; False where it has other channels and the drawings must be made anew."""
        pictures = _pictures(shown)
        if len(pictures.channels.panels) != len(self._pictures.channels.panels):
            return False
        self._shown, self._pictures = shown, pictures
        for chart, picture in zip(
            self._charts, (pictures.channels, pictures.path, pictures.speed), strict=True
        ):
            chart.props["options"] = as_echarts(picture)
            chart.style(f"height: {height_css(picture)}")
            chart.update()
        self._say()
        self._move(self.phase)
        return True

    def move(self, phase: float) -> None:
        """Put the cursor of every drawing at a phase."""
        self._slider.set_value(round(float(np.clip(phase, 0, 3)), 3))

    def step(self, steps: int) -> None:
        """Move the cursor by steps."""
        self.move(self.phase + steps * CURSOR_STEP)

    def _move(self, phase: float) -> None:
        self.phase = phase
        pinned = self._shown.pinned[1] if self._shown.pinned else None
        points = self._pictures.cursor(phase, self._shown.curves, pinned)
        for chart, own, line in zip(self._charts, points, (phase, None, phase), strict=True):
            chart.run_chart_method("setOption", {"series": cursor_series(own, line)})
        angles = self._shown.curves.at(phase)
        at_s = self._shown.curves.moment_s(phase)
        self._where.set_text(f"{phase_words(phase)}, {at_s:.3f} s on the recorder's clock")
        if self._on_move is not None:
            self._on_move(self._shown.curves, phase)
        beside = pinned.at(phase) if pinned else np.full(len(CHANNELS), np.nan)
        for (own_cell, other), value, value_pinned in zip(self._cells, angles, beside, strict=True):
            own_cell.set_text(degrees(float(value)))
            other.set_text(f"pinned {degrees(float(value_pinned))}" if pinned else "")

    def _phase_chart(self, picture: Picture) -> ui.echart:
        chart = plain_chart(picture)
        chart.on("mousemove", self._moved, js_handler=_PHASE_AT_MOUSE.format(id=chart.id), throttle=_MOVE_S)
        return chart

    def _moved(self, event: GenericEventArguments) -> None:
        self.move(float(event.args))

    def _build_read_out(self) -> None:
        self._slider = ui.slider(
            min=0, max=3, step=CURSOR_STEP, value=self.phase, on_change=lambda event: self._move(event.value)
        ).props('aria-label="Cursor: from takeaway over top and impact to after it"')
        self._where = para("", "note")
        with ui.element("table"), ui.element("tbody"):
            self._cells = [_read_out_row(channel) for channel in CHANNELS]

    def _say(self) -> None:
        pinned = self._shown.pinned
        self._pinned.set_text(f"Drawn through: this swing. Dashed: {pinned[0]}." if pinned else "")
        words = "Each phase is drawn as wide as the next. Grey bands: how surely a landmark is known."
        if self._shown.corridor:
            words += " Shaded: the corridor; a bold line is its edge."
        if self._shown.onsets:
            words += " Open triangle: where the curve first leaves it."
        for _, edge in self._shown.windows:
            side = "below" if edge.outward > 0 else "above"
            words += f" Broken line: the drill's practice window lies {side} {degrees(edge.y)}."
        self._explained.set_text(words)


def _pictures(shown: Shown) -> SwingPictures:
    pinned = shown.pinned[1] if shown.pinned else None
    return swing_pictures(shown.curves, pinned, shown.corridor, shown.onsets, shown.windows)


def plain_chart(picture: Picture) -> ui.echart:
    """A picture as a chart, with its sentence for who cannot see it."""
    chart = ui.echart(as_echarts(picture)).classes("chart").style(f"height: {height_css(picture)}")
    chart.props("role=img").props["aria-label"] = picture.label
    return chart


def phase_words(phase: float) -> str:
    """A phase coordinate in words."""
    if phase < 1:
        return f"{phase * 100:.0f} % of the backswing"
    if phase < 2:
        return f"{(phase - 1) * 100:.0f} % of the downswing"
    return f"{(phase - 2) * 100:.0f} % of a downswing's time after impact"


def _read_out_row(channel: str) -> tuple[Words, Words]:
    with ui.element("tr"):
        Words("th", CHANNEL_NAMES[channel]).props("scope=row")
        return Words("td", ""), Words("td", "")
