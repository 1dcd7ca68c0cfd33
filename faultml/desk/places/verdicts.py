"""Verdicts: swings whose verdict teaches most, answered blind by a key; and what is learned from the answers."""

from __future__ import annotations

import asyncio
from typing import Final

import pandas as pd
from nicegui import ui
from nicegui.events import KeyEventArguments

from faultml.classifier.coach_adaptation import load_adaptation
from faultml.desk.desk import Desk
from faultml.desk.folder import Adaptation
from faultml.desk.frame import frame
from faultml.desk.linked import LinkedDrawings, Shown
from faultml.desk.motion import SwingCurves
from faultml.desk.progress import JobView
from faultml.desk.words import Words, bullets, heading, keys, para
from faultml.errors import FaultmlError
from faultml.labels.other import OtherFault, add_other, named_faults, named_line
from faultml.labels.queue import Answered, Question, VerdictQueue
from faultml.labels.verdict import verdicts
from faultml.report.text import count, measure_words, percent, shown

ANSWERS: Final = {"y": "yes", "n": "no", "u": "unsure"}
KEYS: Final = {
    **ANSWERS,
    "z": "take the last one back",
    "s": "something else",
    ",": "cursor back",
    ".": "cursor on",
}
FEWEST_GOLFERS: Final = 5
"""To hold golfers out; a test holds it against `faultml.pipelines.retraining.cross_validation`."""


class VerdictPlace:
    """The page of questions; every answer is kept before the next swing is drawn."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._queue: VerdictQueue | None = None
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
                    self._ask_name()
        ui.keyboard(on_key=self._key)

    def _ask_name(self) -> None:
        para(
            "Whose verdicts are these? Each coach sees swings their own way, so answers are kept by name.",
            "lead",
        )
        name = ui.input("Your name", validation={"1 to 60 letters": lambda text: 0 < len(text.strip()) <= 60})

        def keep() -> None:
            if name.validate():
                self._desk.name_coach(name.value.strip())
                self._page.clear()
                with self._page:
                    self._begin()

        name.on("keydown.enter", keep)
        ui.button("Begin", on_click=keep)

    def _begin(self) -> None:
        results = self._desk.season.results
        assert results is not None
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
        self._learning = LearningPart(self._desk, coach)
        self._build_dialog()
        self._ask()

    def answer(self, verdict: str) -> None:
        """Keep an answer, say what the tool thinks, and ask the next question."""
        if self._queue is None or self._queue.question() is None:
            return
        try:
            answered = self._queue.answer(verdict)
        except FaultmlError as error:
            ui.notify(f"Not kept: {error}", type="negative", timeout=0, close_button="Close")
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
            self._name = ui.input("What it is called", autocomplete=known)
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
            ui.notify(f"Not kept: {error}", type="negative")
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


class LearningPart:
    """How many answers there are, what they taught, and which adaptation is in use."""

    def __init__(self, desk: Desk, coach: str) -> None:
        self._desk = desk
        self._coach = coach
        heading(2, "What is learned from it")
        self._counted = para("").mark("counted")
        self._others = ui.element("div")
        self._jobs = ui.element("div")
        self._versions = ui.element("div")
        self._button = ui.button("Learn from these answers", on_click=self._retrain)
        self.count()
        self._show_versions()

    def count(self) -> None:
        """Say how many answers there are and what they are enough for."""
        held = verdicts(self._desk.store, coach=self._coach)
        sure = held[held["verdict"].isin(("yes", "no"))]
        golfers, swings = sure["player"].nunique(), len(sure.drop_duplicates(["player", "session", "swing"]))
        on = f"{count(swings, 'swing')} of {count(golfers, 'golfer')}"
        lines = [f"{count(len(sure), 'answer')} of {shown(self._coach)} on {on}."]
        if golfers < FEWEST_GOLFERS:
            lines.append(
                f"From {FEWEST_GOLFERS} golfers on, what is learned can be tried on golfers held out: "
                f"{FEWEST_GOLFERS - golfers} to go."
            )
        else:
            lines.append("Enough to try what is learned on golfers held out.")
        self._counted.set_text(" ".join(lines))
        self._button.set_enabled(len(sure) > 0 and self._desk.jobs.active is None)
        self._others.clear()
        named = named_faults(self._desk.store)
        if named:
            with self._others:
                heading(3, "Named outside the catalogue")
                bullets([named_line(each) for each in named])

    def _retrain(self) -> None:
        self._button.disable()
        self._jobs.clear()
        with self._jobs:
            JobView(self._desk, self._desk.retrain(self._coach), on_end=lambda _: self._after())

    def _after(self) -> None:
        self._button.enable()
        self._show_versions()

    def _show_versions(self) -> None:
        known = self._desk.remembered
        used = known.used[-1] if known.used else ""
        self._versions.clear()
        with self._versions:
            if known.learned:
                heading(3, "Learned so far")
            for adaptation in reversed(known.learned):
                with ui.element("div").classes("card"):
                    self._version(adaptation, used)
            if used:
                ui.button("Go back to what was used before", on_click=self._roll_back).props("outline")

    def _version(self, adaptation: Adaptation, used: str) -> None:
        try:
            learned, _ = load_adaptation(self._desk.folder.coaches / adaptation.folder)
        except FaultmlError as error:
            para(f"Learned {adaptation.learned}: cannot be read ({error.code}).")
            return
        about = f"{count(learned.swings, 'swing')} of {count(learned.golfers, 'golfer')}"
        para(f"Learned from {shown(adaptation.coach)} at {adaptation.learned}: {about}.")
        tried = learned.held_out
        if tried:
            para(
                "On golfers held out, how far these answers are missed (log loss, less is better): the model alone "
                f"{tried['default']:.3f}, with this {tried['adapted']:.3f} (difference {tried['difference']:+.3f}, "
                f"95 % {tried['low']:+.3f} to {tried['high']:+.3f})."
            )
        if not learned.adopted:
            para(f"It would move nothing: {learned.why}.")
        elif adaptation.folder == used:
            para("In use.")
        elif not tried:
            para(
                "It has not been tried on golfers held out, so it is not offered for use: verdicts on more golfers "
                "make that possible."
            )
        else:
            ui.button("Use it from now on", on_click=lambda: self._adopt(adaptation))

    def _adopt(self, adaptation: Adaptation) -> None:
        self._jobs.clear()
        with self._jobs:
            JobView(self._desk, self._desk.adopt(adaptation))
        self._show_versions()

    def _roll_back(self) -> None:
        self._jobs.clear()
        with self._jobs:
            JobView(self._desk, self._desk.roll_back())
        self._show_versions()
