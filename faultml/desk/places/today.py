"""Today: who to see first and why, and one press that holds a player's drills."""

from __future__ import annotations

import asyncio
from typing import Final

from nicegui import ui

from faultml.care.statements import Statement, latest_day
from faultml.desk.desk import Desk
from faultml.desk.frame import frame
from faultml.desk.live import on_change
from faultml.desk.people import People, Person
from faultml.desk.places.hurts import HurtsDialog
from faultml.desk.places.names import NamesPart
from faultml.desk.plain_words import error_words
from faultml.desk.progress import JobView, unfinished
from faultml.desk.roster import rename_in_roster
from faultml.desk.sessions import Session
from faultml.desk.words import Words, bullets, heading, para
from faultml.errors import FaultmlError
from faultml.report.text import count, shown
from faultml.store.base import now

MAX_FIRST: Final = 12
"""Players named under "first"; the others stand in the list below."""
BACKUPS: Final = "backups"
_STEPS: Final = (
    "Swings: step through with n and b, pin one with p, move the cursor with , and .",
    "Verdicts: answer y, n or u; the tool's own opinion comes after yours.",
    "Players: open one, read what happens, give a drill, and see what earlier drills have changed.",
    "Tray: drop a recorder's files of your own, answer what they do not say, and assess again.",
)


class TodayPlace:
    """The page of the day."""

    def __init__(self, desk: Desk, session: Session) -> None:
        self._desk = desk
        self._session = session

    def build(self) -> None:
        """Fill the page."""
        with frame("Today", "Today"):
            with ui.element("div"):
                for job in unfinished(self._desk):
                    JobView(self._desk, job)
            self._body = ui.element("div").props('aria-live="polite"')
            self._hurts = HurtsDialog(self._desk)
            self._draw()
            on_change(self._desk, self._draw)

    def _draw(self) -> None:
        self._body.clear()
        with self._body:
            if self._desk.season.results is None:
                _empty()
                return
            try:
                people = People(self._desk)
            except FaultmlError as error:
                para(
                    f"The results cannot be read as they are: {error_words(error)}. "
                    "Assess every swing again on the Tray.",
                    "said",
                )
                return
            self._first(people.persons())
            self._look_after(people)

    def _first(self, persons: list[Person]) -> None:
        pressing = [each for each in persons if each.reasons]
        if pressing:
            para(
                f"See first: {count(len(pressing), 'player')} of {len(persons)}, the most pressing on top.",
                "lead",
            )
        else:
            para("Nobody needs you before the others today.", "lead")
        for each in pressing[:MAX_FIRST]:
            self._person(each)
        others = [*pressing[MAX_FIRST:], *(each for each in persons if not each.reasons)]
        if others:
            heading(2, "Everybody else" if pressing else "Everybody")
            with ui.element("ul").classes("plain"):
                for each in others:
                    with ui.element("li").classes("person short"):
                        with ui.element("div").classes("grow"):
                            self._link(each)
                            Words("span", f" {each.plan[0] if each.plan else ''}")
                        self._hurts_button(each)

    def _person(self, person: Person) -> None:
        with ui.element("div").classes("person"):
            with ui.element("div").classes("grow"):
                self._link(person)
                Words("p", "; ".join(reason.words for reason in person.reasons)).classes("tight")
                for line in person.plan[:2]:
                    Words("p", line).classes("note tight")
            self._hurts_button(person)

    def _hurts_button(self, person: Person) -> None:
        button = ui.button("Hurts", on_click=lambda: self._hurts.press(person.player)).props("outline")
        button.props["aria-label"] = f"Hurts: hold every drill of {shown(person.player)}"

    def _link(self, person: Person) -> None:
        Words("a", shown(person.player)).props(f'href="/player/{self._session.key(person.player)}"').classes(
            "who"
        )

    def _look_after(self, people: People) -> None:
        heading(2, "To look after")
        for name in people.known.open_names:
            self._strange_name(people, name)
        NamesPart(self._desk, self._draw)
        if self._desk.season.players and not (self._desk.folder.root / BACKUPS).exists():
            para("No backup of the store has been made yet.", "note")
        ui.button("Make a backup of the store", on_click=self._backup).props("outline")
        if (self._desk.folder.root / "given.csv").exists():
            heading(2, "A first look around")
            para("These players are generated; nobody in it is real.")
            bullets(list(_STEPS))

    def _strange_name(self, people: People, name: str) -> None:
        """A row of the roster that fits nobody recorded: another spelling, or nobody of these."""
        with ui.element("div").classes("card"):
            para(
                f"The roster names {shown(name)}, who is not among the recorded players. Until it is said who that "
                "is, near spellings are paused."
            )
            who = ui.select({each: shown(each) for each in sorted(people.recorded)}, label="That is")
            with ui.element("div").classes("bar"):
                ui.button("The same person", on_click=lambda: self._merge(name, who.value))
                ui.button("None of these", on_click=lambda: self._release(people, name)).props("outline")

    def _merge(self, name: str, player: str | None) -> None:
        if player:
            rename_in_roster(self._desk.folder.roster, name, player)
            self._draw()

    def _release(self, people: People, name: str) -> None:
        try:
            people.say(
                Statement(
                    name,
                    "name",
                    latest_day("name", people.today),
                    by=self._desk.remembered.coach or "the coach",
                )
            )
        except FaultmlError as error:
            ui.notify(error_words(error), type="negative")
        self._draw()

    async def _backup(self) -> None:
        stamp = now().translate(str.maketrans("", "", "-:"))
        path = self._desk.folder.root / BACKUPS / f"faultml-store-{stamp}.sqlite"
        try:
            await asyncio.to_thread(self._desk.store.backup, path)
        except FaultmlError as error:
            ui.notify(f"No backup: {error_words(error)}", type="negative")
            return
        ui.notify(f"Backup: {BACKUPS}/{path.name}")


def _empty() -> None:
    para(
        "Nothing is here yet. Begin on the Tray: drop your recorder's files, answer what they do not say, and have "
        "every swing assessed.",
        "lead",
    )
    Words("a", "To the Tray").props('href="/tray"')
