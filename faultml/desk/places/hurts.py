"""One press holds every drill of a player; where it hurts is asked afterwards."""

from __future__ import annotations

from collections.abc import Callable

from nicegui import ui

from faultml.care.statements import Statement, latest_day
from faultml.desk.desk import Desk
from faultml.desk.people import People
from faultml.desk.plain_words import error_words
from faultml.desk.words import heading, para
from faultml.errors import FaultmlError
from faultml.report.text import shown


class HurtsDialog:
    """The question that follows the press; made once on a page.

    Parameters
    ----------
    hold, take_back
        What the press does, and what takes it back, with the player and in whose name, where a page has more to stop
        than drills and knows whose name is under the press; by default every drill is held, and what stood before
        holds again.
    """

    def __init__(
        self,
        desk: Desk,
        hold: Callable[[str, str], None] | None = None,
        take_back: Callable[[str, str], None] | None = None,
    ) -> None:
        self._desk = desk
        self._hold = hold or (lambda player, by: People(desk).hurts(player, by))
        self._has_name = take_back is not None
        self._undo = take_back or (lambda player, by: People(desk).mistaken(player, by))
        self._player = ""
        with ui.dialog() as self._dialog, ui.card():
            heading(2, "Every drill is held")
            self._said = para("")
            para(
                "For the coach: where, or how? Anything but sore, aching or stiff, and the place, needs a "
                "clinician's advice before a return. This can stay empty.",
                "note",
            )
            self._where = ui.input("Where it hurts").props("autofocus")
            with ui.element("div").classes("bar"):
                ui.button("Keep", on_click=self._keep)
                ui.button("Leave it open", on_click=self._dialog.close).props("outline")
                self._mistake = ui.button("Pressed by mistake", on_click=self._take_back).props("outline")

    def press(self, player: str) -> None:
        """Hold first, ask afterwards."""
        try:
            self._hold(player, self._desk.remembered.coach)
        except FaultmlError as error:
            ui.notify(f"Not held: {error_words(error)}", type="negative", timeout=0, close_button="Close")
            return
        self._player = player
        self._where.set_value("")
        self._said.set_text(
            f"Every drill of {shown(player)} is held as of now, on every page and for every program."
        )
        # It is taken back by the same name only, so there has to be one.
        self._mistake.set_visibility(self._has_name or bool(self._desk.remembered.coach))
        self._dialog.open()

    def _take_back(self) -> None:
        try:
            self._undo(self._player, self._desk.remembered.coach)
        except FaultmlError as error:
            ui.notify(f"Not taken back: {error_words(error)}", type="negative")
            return
        self._dialog.close()
        ui.notify(
            f"Taken back, and kept with your name: what stood before holds for {shown(self._player)} again."
        )

    def _keep(self) -> None:
        where = (self._where.value or "").strip()
        if where:
            people = People(self._desk)
            day = latest_day("pain", people.today)
            said = Statement(self._player, "pain", day, where, by=self._desk.remembered.coach)
            try:
                people.say(said)
            except FaultmlError as error:
                ui.notify(f"Not kept: {error_words(error)}", type="negative")
                return
        self._dialog.close()
