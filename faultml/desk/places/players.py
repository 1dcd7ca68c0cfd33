"""Players: everybody in the season, with what to work on next."""

from __future__ import annotations

from functools import partial

from nicegui import ui

from faultml.desk.desk import Desk
from faultml.desk.frame import frame
from faultml.desk.people import People, Person
from faultml.desk.sessions import Session
from faultml.desk.words import Words, para
from faultml.report.text import count, shown


class PlayersPlace:
    """The list of players."""

    def __init__(self, desk: Desk, session: Session) -> None:
        self._desk = desk
        self._session = session

    def build(self) -> None:
        """Fill the page."""
        with frame("Players", "Players"):
            if self._desk.season.results is None:
                para("No swing has been assessed yet. Drop your recorder's files on the Tray first.", "lead")
                Words("a", "To the Tray").props('href="/tray"')
                return
            if left_out := self._desk.season.left_out:
                para(
                    f"{count(left_out, 'player')} who asked to be forgotten left out. Assess the season again, and "
                    "nothing is left of them in the results.",
                    "said",
                )
            find = ui.input("Find a name").props("clearable")
            people = People(self._desk)
            with ui.element("ul").classes("plain"):
                for person in sorted(people.persons(), key=lambda each: each.player):
                    name = shown(person.player)
                    with ui.element("li") as line:
                        Words("a", name).props(f'href="/player/{self._session.key(person.player)}"').classes(
                            "who"
                        )
                        Words("span", _state(person))
                    line.bind_visibility_from(find, "value", partial(_fits, name))


def _state(person: Person) -> str:
    paused = "; paused" if any(reason.kind == "paused" for reason in person.reasons) else ""
    return f" {person.plan[0] if person.plan else ''}{paused}"


def _fits(name: str, said: str | None) -> bool:
    return (said or "").casefold() in name.casefold()
