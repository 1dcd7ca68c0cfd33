"""Verdicts: swings whose verdict teaches most, answered blind by a key; and what is learned from the answers."""

from __future__ import annotations

import asyncio
from typing import Final

import pandas as pd
from nicegui import ui
from nicegui.events import KeyEventArguments

from faultml.desk.desk import Desk
from faultml.desk.frame import frame
from faultml.desk.linked import LinkedDrawings, Shown
from faultml.desk.live import on_change
from faultml.desk.motion import SwingCurves
from faultml.desk.places.coach_name import ask_name
from faultml.desk.places.learning import LearningPart
from faultml.desk.plain_words import error_words
from faultml.desk.words import Words, heading, keys, para
from faultml.errors import FaultmlError
from faultml.labels.other import OtherFault, add_other, named_faults
from faultml.labels.queue import Answered, Question, VerdictQueue
from faultml.report.text import measure_words, percent, shown
from faultml.results import Results

ANSWERS: Final = {"y": "yes", "n": "no", "u": "unsure"}
KEYS: Final = {
    **ANSWERS,
    "z": "take the last one back",
    "s": "something else",
    ",": "cursor back",
    ".": "cursor on",
}


class VerdictPlace:
    """The page of questions; every answer is kept before the next swing is drawn."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._queue: VerdictQueue | None = None
        self._results: Results | None = None
        self._drawings: LinkedDrawings | None = None
        self._phase = 1.0
        self._refilling = False

    def build(self) -> None:
        """Fill the page."""
        with frame("Verdicts", "Verdicts"):
            if self._desk.season.results is None:
                para("No swing has been assessed yet. Drop your recorder's files on the Tray first.", "lead")
                Words("a", "To the Tray").props('href="/tray"')
                return
            self._page = ui.element("div")
            with self._page:
                if self._desk.remembered.coach:
                    self._begin()
                else:
                    ask_name(
                        self._desk,
                        "Whose verdicts are these? Each coach sees swings their own way, so answers are kept by name.",
                        self._begin_anew,
                    )
            on_change(self._desk, self._refresh)
        ui.keyboard(on_key=self._key)

    def _begin_anew(self) -> None:
        """With the results and the name that hold now."""
        self._page.clear()
        self._drawings = None
        with self._page:
            self._begin()

    def _refresh(self) -> None:
        """Follow what other pages and commands change; a queue of former results would ask about what is gone."""
        if self._queue is None:
            return
        if self._desk.season.results is self._results:
            self._learning.refresh()
        elif self._desk.season.results is not None and not self._dialog.value:
            self._begin_anew()

    def _begin(self) -> None:
        results = self._desk.season.results
        assert results is not None
        self._results = results
        coach = self._desk.remembered.coach
        self._queue = VerdictQueue(self._desk.store, results, coach, self._desk.season.catalogue())
        keys(KEYS)
        self._asked = Words("p", "").classes("lead").mark("question").props('aria-live="polite"')
        self._hint = para("", "note")
        with ui.element("div").classes("bar"):
            for key, verdict in ANSWERS.items():
                ui.button(
                    f"{verdict.capitalize()} ({key})", on_click=lambda _, given=verdict: self.answer(given)
                )
            ui.button("Take back (z)", on_click=self.undo).props("outline")
            ui.button("Something else (s)", on_click=self._something_else).props("outline")
        self._last = para("", "said").mark("last")
        self._body = ui.element("div")
        self._learning = LearningPart(self._desk, coach, self._begin_anew)
        self._build_dialog()
        self._ask()

    def answer(self, verdict: str) -> None:
        """Keep an answer, say what the tool thinks, and ask the next question."""
        if self._queue is None or self._queue.question() is None:
            return
        try:
            answered = self._queue.answer(verdict)
        except FaultmlError as error:
            ui.notify(f"Not kept: {error_words(error)}", type="negative", timeout=0, close_button="Close")
            return
        self._last.set_text(self._opinion(answered))
        self._ask()
        self._learning.count()

    def undo(self) -> None:
        """Take the last answer back and ask again."""
        if self._queue is None:
            return
        if self._queue.undo() is None:
            ui.notify("Nothing was answered here yet.")
            return
        self._last.set_text(
            "Taken back. The tool's opinion has been shown, so a new answer is kept as not blind."
        )
        self._ask()
        self._learning.count()

    def _ask(self) -> None:
        assert self._queue is not None
        question = self._queue.question()
        if question is None:
            self._asked.set_text("No swing is left to ask about.")
            self._hint.set_text("")
            self._body.clear()
            return
        fault = self._desk.season.catalogue()[question.fault]
        self._asked.set_text(f"Does this swing show: {self._desk.coaching.words[question.fault]}?")
        self._hint.set_text(f"It is read from: {measure_words(fault.measure)}.")
        self._draw(question)
        if self._queue.needs_refill and not self._refilling:
            self._refilling = True
            ui.timer(0.05, self._refill, once=True)

    async def _refill(self) -> None:
        """Choose the next swings in a thread, while the coach looks at this one."""
        assert self._queue is not None
        await asyncio.to_thread(self._queue.refill)
        self._refilling = False

    def _draw(self, question: Question) -> None:
        row = self._desk.season.swing(question.player, question.session, question.swing)
        curves = None if row is None else self._desk.motion(row)
        # Without the corridor: where its edge runs would say what the tool thinks.
        drawn = Shown(curves) if isinstance(curves, SwingCurves) else None
        if drawn is not None and self._drawings is not None and self._drawings.show(drawn):
            return
        if self._drawings is not None:
            self._phase = self._drawings.phase
        self._drawings = None
        self._body.clear()
        with self._body:
            if drawn is not None:
                self._drawings = LinkedDrawings(drawn, self._phase)
            else:
                para(
                    "The recording of this swing is not in the season folder. Answer unsure, or take another."
                )

    def _opinion(self, answered: Answered) -> str:
        question = answered.question
        rows = self._desk.season.faults(question.player, question.session, question.swing)
        own = rows[rows["fault"] == question.fault]
        words = self._desk.coaching.words[question.fault]
        tool = "the tool has not assessed it"
        if len(own) and pd.notna(own["probability"].iloc[0]):
            tool = f"the tool: {own['call'].iloc[0]}, chance {percent(float(own['probability'].iloc[0]))}"
        return f"Kept, {words}: you said {answered.verdict}; {tool}."

    def _build_dialog(self) -> None:
        with ui.dialog() as self._dialog, ui.card():
            heading(2, "Something else")
            para(
                "A fault that the catalogue lacks. Give it the same name each time, so that it can be counted."
            )
            known = [each.name for each in named_faults(self._desk.store)]
            self._name = ui.input("What it is called", autocomplete=known).props("autofocus")
            self._note = ui.textarea("What you see")
            with ui.row():
                ui.button("Keep", on_click=self._keep_other)
                ui.button("Close", on_click=self._dialog.close).props("outline")

    def _something_else(self) -> None:
        if self._queue is not None and self._queue.question() is not None:
            self._dialog.open()

    def _keep_other(self) -> None:
        question = self._queue.question() if self._queue is not None else None
        if question is None:
            return
        coach = self._desk.remembered.coach
        other = OtherFault(
            question.player,
            question.session,
            question.swing,
            self._name.value or "",
            coach,
            self._note.value or "",
        )
        try:
            add_other(self._desk.store, other)
        except FaultmlError as error:
            ui.notify(f"Not kept: {error_words(error)}", type="negative")
            return
        ui.notify(f"Kept: {shown(other.name)}. The question is still open.")
        self._name.set_value("")
        self._note.set_value("")
        self._dialog.close()
        self._learning.count()

    def _key(self, event: KeyEventArguments) -> None:
        if not event.action.keydown or event.action.repeat or self._queue is None or self._dialog.value:
            return
        if event.modifiers.ctrl or event.modifiers.alt or event.modifiers.meta:
            return
        name = event.key.name.lower()
        if name in ANSWERS:
            self.answer(ANSWERS[name])
        elif name == "z":
            self.undo()
        elif name == "s":
            self._something_else()
        elif name in (",", ".") and self._drawings is not None:
            self._drawings.step(1 if name == "." else -1)
