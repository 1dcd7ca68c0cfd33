"""Give a drill: what has to be asked first is put as a question, with the presses that answer it."""

from __future__ import annotations

from nicegui import ui

from faultml.coaching.giving import Giving
from faultml.coaching.records import PlayerDrill
from faultml.desk.desk import Desk
from faultml.desk.people import People
from faultml.desk.places.hurts import HurtsDialog
from faultml.desk.places.questions import CareQuestions
from faultml.desk.plain_words import error_words, without_commands
from faultml.desk.sessions import Session
from faultml.desk.words import Words, heading, para
from faultml.errors import FaultmlError


class DrillForm:
    """The card in which a drill is chosen and given, through the care check of that moment."""

    def __init__(
        self, desk: Desk, session: Session, player: str, hurts: HurtsDialog, people: People,
        drills: tuple[PlayerDrill, ...],
    ) -> None:  # fmt: skip
        self._desk = desk
        self._session = session
        self._player = player
        self._questions = CareQuestions(desk, player, hurts, self._give)
        self._drills = drills
        with ui.element("div").classes("card"):
            heading(2, "Give a drill")
            book, words = people.coaching.book, people.coaching.words
            choices = {each.drill: f"{book[each.drill].name}, for {words[each.faults[0]]}" for each in drills}
            self._chosen = ui.select(choices, value=drills[0].drill, label="Drill").classes("wide")
            self._balls = ui.number("Balls a week, if it was said", min=1, max=99_999, precision=0)
            self._balls.classes("wide")
            with ui.element("div").classes("bar"):
                self._asked = ui.checkbox("I have asked today, and the player may practise")
                ui.button("Give it", on_click=self._give)
            self._first = ui.element("div").props('aria-live="polite"')

    def _give(self) -> None:
        drill, balls = self._chosen.value, self._balls.value
        fault = next(each.faults[0] for each in self._drills if each.drill == drill)
        cells = {"player": self._player, "drill": drill, "fault": fault}
        cells |= {
            "balls_a_week": str(int(balls)) if balls else "",
            "hurts": "none" if self._asked.value else "",
        }
        # With what is known at this moment: another page may have held the drills since.
        people = People(self._desk)
        try:
            read = people.give(cells)
        except FaultmlError as error:
            ui.notify(f"Not given: {error_words(error)}", type="negative")
            return
        if isinstance(read, Giving):
            self._first.clear()
            ui.notify(f"Given: {read.drill.name}, from {read.given.since}. {read.dose}.")
            return
        answer = people.care(self._player, drill)
        self._first.clear()
        with self._first:
            if answer.verdict == "give":
                wrong = "; ".join(f"expected {without_commands(each.expected)}" for each in read)
                para(f"Not given: {wrong}.", "said")
            elif answer.ask:
                asked = [code for code in answer.ask if not (self._asked.value and code == "ask-pain")]
                left = f"ask {len(asked)} things. First:" if len(asked) > 1 else "ask:"
                self._questions.ask(asked[0], f"Before it is given, {left}")
            elif people.paused(self._player):
                paused_words(self._session, self._player)
            else:
                # Of a player's health nothing is said here: this page may be shown.
                para("Not given: this drill is not for this player. Choose another one.", "said")


def paused_words(session: Session, player: str) -> None:
    """That a player is paused and what to do; nothing of a player's health, since the page may be shown."""
    with ui.element("div").classes("said"):
        para("Paused: speak with the player first. No drill is given until a return is recorded.")
        Words("a", "Record a return").props(f'href="/notes/{session.key(player)}#return"').classes("button")
