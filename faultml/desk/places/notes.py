"""Coach's notes: what a player said about the body, histories and the roster's cells, for the coach alone."""

from __future__ import annotations

from typing import Final

from nicegui import ui

from faultml.care.body import History
from faultml.care.rules import load_care
from faultml.care.statements import About, Statement, latest_day
from faultml.care.words import care_lines
from faultml.desk.desk import Desk
from faultml.desk.frame import frame
from faultml.desk.live import on_change
from faultml.desk.people import People
from faultml.desk.places.hurts import HurtsDialog
from faultml.desk.plain_words import error_words, without_commands
from faultml.desk.roster import EDITED, row_of, set_cells
from faultml.desk.sessions import Session
from faultml.desk.words import Words, bullets, heading, para
from faultml.errors import FaultmlError
from faultml.report.text import shown

HISTORIES: Final[dict[History, str]] = {
    "ulnar_history": "Ever trouble on the little-finger side of the wrist?",
    "thumb_history": "Ever trouble on the thumb side of the wrist?",
    "elbow_history": "Ever trouble with the elbow?",
    "nerve_history": "Ever numbness or tingling, or trouble with a nerve?",
    "hamate_history": "Ever trouble in the heel of the hand (hamate)?",
}
_ROSTER_WORDS: Final = {
    "hand": "Plays (right or left)",
    "level": "Level (experienced, beginner)",
    "usual_miss": "Usual miss",
    "lessons": "Lessons (dates, separated by spaces)",
}


class NotesPlace:
    """The page of the coach's notes; never linked from a page that is printed."""

    def __init__(self, desk: Desk, session: Session, player: str) -> None:
        self._desk = desk
        self._session = session
        self._player = player

    def build(self) -> None:
        """Fill the page."""
        with frame("Players", "Coach's notes"):
            self._hurts = HurtsDialog(self._desk)
            with ui.element("div").classes("bar no-print"):
                ui.button("Hurts", on_click=lambda: self._hurts.press(self._player))
                Words("a", "Back to the player").props(
                    f'href="/player/{self._session.key(self._player)}"'
                ).classes("button")
            para(f"{shown(self._player)}. For the coach alone: do not show or print this page.", "said")
            self._known = ui.element("div").props('aria-live="polite"')
            self._draw()
            self._ask()
            self._return()
            self._histories()
            self._roster()
            on_change(self._desk, self._draw)

    def _draw(self) -> None:
        people = People(self._desk)
        demands = {drill.name: drill.demands for drill in people.coaching.book.drills}
        lines = care_lines(people.known.body(self._player), demands, people.today)
        self._known.clear()
        with self._known:
            heading(2, "What is known now")
            # Histories stand below, each with its answer; drills that wait would fill the page.
            known = [without_commands(line) for line in lines[1:] if not line.startswith("Asked: ")]
            drills = next(at for at, line in enumerate(known) if line.startswith("Drills: "))
            bullets(_joined(known[: drills + 1]))
            if known[drills + 1 :]:
                with ui.element("details"):
                    Words("summary", "The drills that wait, and why")
                    bullets([line.strip() for line in known[drills + 1 :]])

    def _ask(self) -> None:
        heading(2, "Asked today")
        with ui.element("div").classes("bar"):
            ui.button("Nothing hurts", on_click=lambda: self._say("none"))
            ui.button("Practised, and nothing hurt", on_click=lambda: self._say("practised")).props("outline")

    def _return(self) -> None:
        heading(2, "Return to practice").props("id=return")
        para(
            "By name, role and on whose advice; it is no medical clearance. Doses are halved at first.",
            "note",
        )
        with ui.element("div").classes("bar"):
            by = ui.input("Who says so")
            words = load_care().words
            role = ui.select([*words.others, *words.clinicians], label="As what")
            advice = ui.select([*words.clinicians, *words.others], label="On whose advice")
            adviser = ui.input("Their name")
            guardian = ui.input("Guardian, under 16")
        ui.button(
            "Record the return",
            on_click=lambda: self._say(
                "return",
                by=by.value,
                role=role.value,
                guardian=guardian.value,
                advice=": ".join(filter(None, (advice.value, adviser.value))),
            ),
        ).props("outline")

    def _histories(self) -> None:
        heading(2, "Earlier trouble and year of birth")
        known = People(self._desk).known.body(self._player)
        for about, question in HISTORIES.items():
            answer = known.histories.get(about)
            value = None if answer is None else "yes" if answer else "no"
            ui.select(
                ["yes", "no"], value=value, label=question,
                on_change=lambda event, about=about: self._say(about, event.value) if event.value else None,
            ).classes("wide")  # fmt: skip
        year = ui.input("Year of birth", value=str(known.birth_year or ""))
        ui.button("Keep the year", on_click=lambda: self._say("birth_year", year.value)).props("outline")

    def _roster(self) -> None:
        heading(2, "In the roster")
        try:
            row = row_of(self._desk.folder.roster, self._player)
        except FaultmlError as error:
            para(f"The roster cannot be read: {error_words(error)}", "said")
            return
        fields = {
            name: ui.input(_ROSTER_WORDS[name], value=row.get(name, "")).classes("wide") for name in EDITED
        }

        def keep() -> None:
            try:
                set_cells(
                    self._desk.folder.roster,
                    self._player,
                    {name: field.value or "" for name, field in fields.items()},
                )
            except FaultmlError as error:
                ui.notify(f"Not kept: {error_words(error)}", type="negative")
                return
            ui.notify("Kept. Assess the season again where the hand has changed.")

        ui.button("Keep in the roster", on_click=keep).props("outline")

    def _say(
        self,
        about: About,
        value: str = "",
        *,
        by: str = "",
        role: str = "",
        advice: str = "",
        guardian: str = "",
    ) -> None:
        people = People(self._desk)
        who = by or ("" if about == "return" else self._desk.remembered.coach)
        said = Statement(
            self._player,
            about,
            latest_day(about, people.today),
            value or "",
            who,
            role or "",
            advice or "",
            guardian or "",
        )
        try:
            people.say(said)
        except FaultmlError as error:
            ui.notify(f"Not kept: {error_words(error)}", type="negative")
            return
        ui.notify("Kept.")
        self._draw()


def _joined(lines: list[str]) -> list[str]:
    """Lines with those that stand below one taken into it."""
    joined: list[str] = []
    for line in lines:
        if line.startswith("  ") and joined:
            joined[-1] += f"{'' if joined[-1].endswith(':') else ';'} {line.strip()}"
        else:
            joined.append(line)
    return joined
