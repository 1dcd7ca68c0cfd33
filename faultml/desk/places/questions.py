"""What care has to know before a drill: one question at a time, with the presses that answer it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Final

from nicegui import ui

from faultml.care.rules import Question, load_care
from faultml.care.statements import About, Statement, latest_day
from faultml.desk.desk import Desk
from faultml.desk.people import People
from faultml.desk.places.hurts import HurtsDialog
from faultml.desk.plain_words import error_words, without_commands
from faultml.desk.words import para
from faultml.errors import FaultmlError

_ABOUT: Final[dict[Question, About]] = {
    "ask-level": "experienced",
    "ask-ulnar-history": "ulnar_history",
    "ask-thumb-history": "thumb_history",
    "ask-elbow-history": "elbow_history",
    "ask-nerve-history": "nerve_history",
    "ask-hamate-history": "hamate_history",
}


class CareQuestions:
    """Asks, keeps the answer, and calls `answered`."""

    def __init__(self, desk: Desk, player: str, hurts: HurtsDialog, answered: Callable[[], None]) -> None:
        self._desk, self._player = desk, player
        self._hurts, self._answered = hurts, answered

    def ask(self, code: Question, before: str) -> None:
        """Put a question into the element that is open; `before` says what it stands before."""
        para(before, "note")
        para(without_commands(load_care().questions[code]), "lead").mark("ask")
        with ui.element("div").classes("bar"):
            if code == "ask-pain":
                ui.button("Nothing hurts", on_click=lambda: self._say("none"))
                ui.button("Hurts", on_click=lambda: self._hurts.press(self._player)).props("outline")
            elif code == "ask-age":
                year = ui.number("Year of birth", min=1900, max=date.today().year, precision=0)
                ui.button("Keep", on_click=lambda: self._say("birth_year", str(int(year.value or 0))))
            else:
                about = _ABOUT[code]
                ui.button("Yes", on_click=lambda: self._say(about, "yes")).props("outline")
                ui.button("No", on_click=lambda: self._say(about, "no")).props("outline")

    def _say(self, about: About, value: str = "") -> None:
        people = People(self._desk)
        said = Statement(
            self._player, about, latest_day(about, people.today), value, self._desk.remembered.coach
        )
        try:
            people.say(said)
        except FaultmlError as error:
            ui.notify(f"Not kept: {error_words(error)}", type="negative")
            return
        self._answered()
