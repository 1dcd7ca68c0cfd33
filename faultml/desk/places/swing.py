"""Swing: one swing large, its drawings linked by a cursor, another pinned over it, keys to step."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from nicegui import ui
from nicegui.events import KeyEventArguments, ValueChangeEventArguments

from faultml.channels import LANDMARKS
from faultml.coaching.records import PlayerDrill
from faultml.desk.desk import Desk
from faultml.desk.drawn import Onset, raw_picture, window_edges
from faultml.desk.frame import frame
from faultml.desk.linked import LinkedDrawings, Shown, phase_words, plain_chart
from faultml.desk.motion import SwingCurves
from faultml.desk.not_assessed import why_words
from faultml.desk.people import People
from faultml.desk.places.landmarks import LandmarkPanel
from faultml.desk.video import SwingVideo
from faultml.desk.words import Words, bullets, heading, keys, para
from faultml.drawings.corridor import corridor_for
from faultml.errors import FaultmlError
from faultml.faults.catalogue import PHASE_STARTS
from faultml.report.text import measure_words, percent, shown, size

KEYS: Final = {
    "b": "back",
    "n": "next",
    "p": "pin, let go",
    ",": "cursor back",
    ".": "cursor on",
    "l": "move a landmark",
    "z": "take it back",
}


class SwingPlace:
    """The page of one swing; stepping to the next one redraws it in place."""

    def __init__(self, desk: Desk, player: str, session: str = "", swing: str = "") -> None:
        self._desk = desk
        self._take(player)
        self._at = self._find(session, swing)
        self._phase = 1.0
        self._pinned: tuple[str, SwingCurves] | None = None
        self._curves: SwingCurves | None = None
        self._drawings: LinkedDrawings | None = None
        self._landmarks: LandmarkPanel

    def build(self) -> None:
        """Fill the page."""
        with frame("Swings", "Swing"):
            with ui.element("div").classes("bar no-print"):
                names = {name: shown(name) for name in self._desk.season.players}
                ui.select(names, value=self._player, label="Player", on_change=self._choose_player)
                self._which = ui.select(
                    self._choices(), value=self._at, label="Swing", on_change=self._choose
                )
                ui.button("Back", on_click=lambda: self.step(-1)).props("outline")
                ui.button("Next", on_click=lambda: self.step(1)).props("outline")
                self._pin = ui.button("Pin", on_click=self.pin).props("outline")
                ui.button("Move a landmark", on_click=lambda: self._landmarks.toggle()).props("outline")
            keys(KEYS)
            self._title = para("", "lead").mark("title")
            self._landmarks = LandmarkPanel(self._desk, self._changed)
            self._body = ui.element("div")
            self._video = SwingVideo()
        ui.keyboard(on_key=self._key)
        self._draw()

    def step(self, by: int) -> None:
        """Go to another swing of the same player."""
        self._which.set_value(int(np.clip(self._at + by, 0, len(self._rows) - 1)))

    def pin(self) -> None:
        """Keep the swing that is shown, to see others over it; once more lets go of it."""
        if self._pinned is not None:
            self._pinned = None
        elif self._curves is not None:
            self._pinned = (self._name(), self._curves)
        self._draw()

    def _changed(self) -> None:
        """A landmark was moved or taken back, or the season assessed anew."""
        row = self._rows.iloc[self._at]
        self._take(self._player)
        self._at = self._find(str(row["session"]), str(row["swing"]))
        self._draw()

    def _take(self, player: str) -> None:
        rows = self._desk.season.of_player("swings", player)
        self._rows = rows.sort_values(["session", "swing"], kind="stable").reset_index(drop=True)
        self._player = player
        self._drill = _first_drill(self._desk, player)
        self._corridor = corridor_for(self._desk.season.catalogue(), player)

    def _find(self, session: str, swing: str) -> int:
        found = np.flatnonzero((self._rows["session"] == session) & (self._rows["swing"] == swing))
        return int(found[0]) if len(found) else int(np.argmax(self._rows["assessed"].to_numpy(bool)))

    def _choices(self) -> dict[int, str]:
        return {row: swing_name(each) for row, (_, each) in enumerate(self._rows.iterrows())}

    def _choose_player(self, event: ValueChangeEventArguments) -> None:
        if event.value and event.value != self._player:
            self._take(event.value)
            self._at = self._find("", "")
            self._which.set_options(self._choices(), value=self._at)
            self._draw()

    def _choose(self, event: ValueChangeEventArguments) -> None:
        if event.value is not None and int(event.value) != self._at:
            self._at = int(event.value)
            self._draw()

    def _name(self) -> str:
        return f"{shown(self._player)}, {swing_name(self._rows.iloc[self._at])}"

    def _draw(self) -> None:
        row = self._rows.iloc[self._at]
        self._title.set_text(self._name() + swing_facts(row))
        self._pin.set_text("Let go of the pinned swing" if self._pinned else "Pin")
        self._landmarks.show(row)
        curves = self._desk.motion(row)
        self._curves = curves if isinstance(curves, SwingCurves) else None
        if isinstance(curves, SwingCurves):
            self._draw_assessed(row, curves)
            return
        self._clear()
        with self._body:
            if curves is None:
                para("The recording of this swing is not in the season folder, so it cannot be drawn.")
            else:
                para(f"Not assessed: {why_words(str(row['reason']))}. The angles as recorded:", "said")
                plain_chart(raw_picture(curves))

    def _draw_assessed(self, row: pd.Series, curves: SwingCurves) -> None:
        called = self._called(row)
        windows = window_edges(self._drill, curves) if self._drill is not None else ()
        drawn = Shown(curves, self._pinned, self._corridor, _onsets(called, self._desk), windows)
        if self._drawings is None or not self._drawings.show(drawn):
            self._clear()
            with self._body:
                self._drawings = LinkedDrawings(drawn, self._phase, self._follow)
        self._drawings.beside.clear()
        with self._drawings.beside:
            heading(2, "What stands out").classes("small-head")
            bullets(_said(called, self._desk))

    def _follow(self, curves: SwingCurves, phase: float) -> None:
        impact_s = curves.landmarks_s[LANDMARKS.index("impact")]
        self._video.follow(curves.moment_s(phase) - float(impact_s))

    def _clear(self) -> None:
        if self._drawings is not None:
            self._phase = self._drawings.phase
        self._drawings = None
        self._body.clear()

    def _called(self, row: pd.Series) -> pd.DataFrame:
        faults = self._desk.season.faults(str(row["player"]), str(row["session"]), str(row["swing"]))
        return faults[faults["call"].isin(("yes", "borderline"))].sort_values("probability", ascending=False)

    def _key(self, event: KeyEventArguments) -> None:
        if not event.action.keydown or event.modifiers.ctrl or event.modifiers.alt or event.modifiers.meta:
            return
        if self._landmarks.key(event.key.name, event.modifiers.shift):
            return
        match event.key.name:
            case "l":
                self._landmarks.toggle()
            case "n":
                self.step(1)
            case "b":
                self.step(-1)
            case "p":
                self.pin()
            case "," | "." if self._drawings is not None:
                self._drawings.step(1 if event.key.name == "." else -1)
            case _:
                pass


def no_swings() -> None:
    """The page where nothing has been classified yet."""
    with frame("Swings", "Swings"):
        para("No swing has been assessed yet. Drop your recorder's files on the Tray first.", "lead")
        Words("a", "To the Tray").props('href="/tray"')


def swing_name(row: pd.Series) -> str:
    """A swing among its player's."""
    return f"{shown(row['session'])}, swing {shown(row['swing'])}"


def swing_facts(row: pd.Series) -> str:
    """What is known of a swing besides: club, what the ball did, context."""
    facts = [shown(row["club"])] if row["club"] else []
    facts += [", ".join(shown(word) for word in row["shot"])] if len(row["shot"]) else []
    facts += [shown(row["context"])] if row["context"] not in ("", "play") else []
    return f" ({'; '.join(facts)})" if facts else ""


def _first_drill(desk: Desk, player: str) -> PlayerDrill | None:
    """The drill to work on next, as care has it now: only its window is drawn here."""
    try:
        plan = People(desk).plans.get(player)
    except FaultmlError:  # results of another version: swings are drawn all the same
        return None
    return plan.drills[0] if plan is not None and plan.drills else None


def _onsets(called: pd.DataFrame, desk: Desk) -> list[Onset]:
    catalogue = desk.season.catalogue()
    found = []
    for row in called[called["call"] == "yes"].to_dict("records"):
        fault, phase = row["fault"], row["onset_phase"]
        if fault in catalogue.ids and phase in PHASE_STARTS and np.isfinite(row["onset_at"]):
            found.append(Onset(catalogue[fault].measure.channel, PHASE_STARTS[phase] + row["onset_at"]))
    return found


def _said(called: pd.DataFrame, desk: Desk) -> list[str]:
    catalogue, words = desk.season.catalogue(), desk.coaching.words
    lines = []
    for row in called.to_dict("records"):
        if row["fault"] in catalogue.ids:
            past = f"{size(row['severity'], row['unit'])} past the edge"
            how = past if row["call"] == "yes" else "borderline"
            read = measure_words(catalogue[row["fault"]].measure)
            if row["call"] == "yes" and row["onset_phase"] in PHASE_STARTS and np.isfinite(row["onset_at"]):
                begins = phase_words(PHASE_STARTS[row["onset_phase"]] + row["onset_at"])
                how += f", from {begins} on"
            lines.append(
                f"{words[row['fault']].capitalize()}: {how}, chance {percent(row['probability'])} ({read})."
            )
    return lines or ["Nothing is outside the corridor."]
