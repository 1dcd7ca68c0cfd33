"""Takeaway, top and impact of a swing, moved by the coach with the mouse or by keys, kept and taken back."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import pandas as pd
from nicegui import ui
from nicegui.events import GenericEventArguments

from faultml.desk.desk import Desk
from faultml.desk.drawn import landmark_picture
from faultml.desk.jobs import Job
from faultml.desk.landmarks import is_ahead, landmarks_now, move, swing_of, undo
from faultml.desk.linked import plain_chart
from faultml.desk.motion import RawCurves
from faultml.desk.places.coach_name import ask_name
from faultml.desk.plain_words import error_words
from faultml.desk.progress import JobView
from faultml.desk.words import heading, keys, para
from faultml.drawings.echarts import cursor_series
from faultml.errors import FaultmlError
from faultml.labels.landmarks import moved_on
from faultml.recordings.corrections import MOVABLE, Landmark
from faultml.report.text import shown

STEP_S: Final = 0.005
KEYS: Final = {
    "1": "takeaway",
    "2": "top",
    "3": "impact",
    ",": "5 ms earlier",
    ".": "5 ms later",
    "k": "keep it there",
    "z": "take back",
    "l": "close",
}
GRAB_PX: Final = 16
"""How near to a landmark's line the mouse takes hold of it."""

_DRAG: Final = """(event) => {{
  const chart = getElement({id})?.chart;
  const box = getHtmlElement({id});
  if (!chart || !box) return;
  const rect = box.getBoundingClientRect();
  const x = event.clientX - rect.left;
  const times = {{...JSON.parse(box.dataset.landmarks || '{{}}')}};
  const near = Object.entries(times)
    .map(([name, at]) => [name, Math.abs(chart.convertToPixel({{ xAxisIndex: 0 }}, at) - x)])
    .sort((a, b) => a[1] - b[1])[0];
  if (!near || near[1] > {grab}) return;
  event.preventDefault();
  const at = (moved) => chart.convertFromPixel({{ xAxisIndex: 0 }}, moved.clientX - rect.left);
  const follow = (moved) => {{
    const line = {{ data: [{{ xAxis: at(moved) }}] }};
    const series = [...Array({panels}).keys()].map((row) => ({{ name: 'cursor-' + row, markLine: line }}));
    chart.setOption({{ series }});
  }};
  const drop = (moved) => {{
    window.removeEventListener('pointermove', follow);
    window.removeEventListener('pointerup', drop);
    emit([near[0], at(moved)]);
  }};
  window.addEventListener('pointermove', follow);
  window.addEventListener('pointerup', drop);
}}"""


class LandmarkPanel:
    """The drawing on which landmarks are moved; `on_change` is called when one was kept or taken back."""

    def __init__(self, desk: Desk, on_change: Callable[[], None]) -> None:
        self._desk = desk
        self._on_change = on_change
        self._row: pd.Series | None = None
        self._over_time: RawCurves | None = None
        self._chosen: Landmark = "top"
        self._at_s = 0.0
        self._panels = 0
        self._chart: ui.echart | None = None
        self.is_open = False
        self._notes = ui.element("div")
        self._box = ui.element("div").props('aria-live="polite"')

    def show(self, row: pd.Series) -> None:
        """Follow to another swing."""
        self._row = row
        self._over_time = self._desk.season.recordings.over_time(row) if row["assessed"] else None
        self._note()
        if self.is_open:
            self._build()

    def toggle(self) -> None:
        """Open or close."""
        if not self.is_open and self._over_time is None:
            ui.notify("This swing has no landmarks to move.")
            return
        self.is_open = not self.is_open
        self._box.clear()
        if self.is_open:
            self._build()

    def key(self, name: str, shift: bool) -> bool:
        """Whether a key was for this panel."""
        if name == "z":
            self.take_back()
        elif not self.is_open or self._over_time is None or not self._desk.remembered.coach:
            return False
        elif name in ("1", "2", "3"):
            self._choice.set_value(MOVABLE[int(name) - 1])
        elif name in (",", ".", "<", ">"):
            self.step((-1 if name in (",", "<") else 1) * (5 if shift or name in ("<", ">") else 1))
        elif name == "k":
            self.keep()
        else:
            return False
        return True

    def step(self, steps: int) -> None:
        """Move the chosen landmark by steps of 5 ms; it is kept by `keep`."""
        self._at_s += steps * STEP_S
        self._say()

    def keep(self) -> None:
        """Keep the chosen landmark where it was moved to."""
        coach = self._desk.remembered.coach
        if self._row is None or self._over_time is None or not coach:
            return
        t_s = self._over_time.t_s + self._over_time.fastest_s
        try:
            move(
                self._desk.store,
                self._row,
                self._chosen,
                self._at_s,
                coach,
                (float(t_s[0]), float(t_s[-1])),
            )
        except FaultmlError as error:
            ui.notify(f"Not kept: {error_words(error)}", type="negative", timeout=0, close_button="Close")
        self._on_change()

    def take_back(self) -> None:
        """Take the last move on this swing back."""
        if self._row is None:
            return
        taken = undo(self._desk.store, self._row, self._desk.remembered.coach or "the coach")
        if taken is None:
            ui.notify("No landmark of this swing was moved.")
            return
        ui.notify(f"Taken back: {taken.landmark} at {taken.at_s:.3f} s.")
        self._on_change()

    def _build(self) -> None:
        self._box.clear()
        if self._row is None or self._over_time is None:
            return
        landmarks_s, sd_s = self._now()
        picture = landmark_picture(self._over_time, landmarks_s, sd_s)
        self._panels = len(picture.panels)
        with self._box:
            heading(2, "Move a landmark")
            if not self._desk.remembered.coach:
                ask_name(self._desk, "Who moves it? A landmark is kept with a name.", self._build)
                return
            para(
                "Drag a line to where it belongs, or choose it and step. It is kept under your name, used from then on "
                "in the place of the one found, and can be taken back.",
                "note",
            )
            keys(KEYS)
            with ui.element("div").classes("bar"):
                self._choice = ui.radio(
                    {name: name.capitalize() for name in MOVABLE},
                    value=self._chosen,
                    on_change=lambda event: self._choose(event.value),
                ).props("inline")
                ui.button("Earlier", on_click=lambda: self.step(-1)).props("outline")
                ui.button("Later", on_click=lambda: self.step(1)).props("outline")
                ui.button("Keep it there", on_click=self.keep)
                ui.button("Take back", on_click=self.take_back).props("outline")
            self._where = para("", "lead").mark("landmark")
            self._chart = plain_chart(picture).classes("grab")
            self._chart.props["data-landmarks"] = _json(landmarks_s)
            self._chart.on(
                "pointerdown",
                self._dropped,
                js_handler=_DRAG.format(id=self._chart.id, grab=GRAB_PX, panels=self._panels),
            )
        self._choose(self._chosen)

    def _dropped(self, event: GenericEventArguments) -> None:
        name, at_s = event.args
        if name in MOVABLE:
            self._chosen, self._at_s = name, float(at_s)
            self.keep()

    def _choose(self, landmark: Landmark) -> None:
        self._chosen = landmark
        self._at_s = self._now()[0][MOVABLE.index(landmark)]
        self._say()

    def _say(self) -> None:
        before = self._now()[0][MOVABLE.index(self._chosen)]
        moved = f", {1000 * (self._at_s - before):+.0f} ms and not kept yet" if self._at_s != before else ""
        self._where.set_text(f"{self._chosen.capitalize()}: {self._at_s:.3f} s{moved}")
        if self._chart is not None:
            cursors = cursor_series([[]] * self._panels, self._at_s)
            self._chart.run_chart_method("setOption", {"series": cursors})

    def _now(self) -> tuple[list[float], list[float]]:
        assert self._row is not None
        now = landmarks_now(self._desk.store, self._row)
        return [float(now[f"{name}_s"]) for name in MOVABLE], [float(now[f"{name}_sd_s"]) for name in MOVABLE]

    def _note(self) -> None:
        """Which landmarks are a coach's, and whether the assessment knows."""
        self._notes.clear()
        if self._row is None or not self._row["assessed"]:
            return
        moved = moved_on(self._desk.store, swing_of(self._row))
        latest = {each.landmark: each for each in moved}.values()
        ahead = is_ahead(self._desk.store, self._row)
        with self._notes:
            for each in latest:
                para(
                    f"{each.landmark.capitalize()} moved by {shown(each.coach)} on {each.when[:10]} from "
                    f"{each.found_s:.3f} to {each.at_s:.3f} s.",
                    "note",
                )
            if ahead:
                with ui.element("div").classes("bar"):
                    para(
                        "The drawings show the landmarks as they are now; what stands out is of the last assessment."
                    )
                    ui.button("Assess every swing again", on_click=self._assess).props("outline")

    def _assess(self) -> None:
        with self._notes:
            JobView(self._desk, self._desk.classify(), on_end=self._assessed)

    def _assessed(self, job: Job) -> None:
        self._on_change()


def _json(landmarks_s: Sequence[float]) -> str:
    pairs = ", ".join(f'"{name}": {at_s:.6f}' for name, at_s in zip(MOVABLE, landmarks_s, strict=True))
    return f"{{{pairs}}}"
