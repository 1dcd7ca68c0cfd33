"""Two spellings of one player in the recordings: merged, said to be two people, or parted again."""

from __future__ import annotations

from collections.abc import Callable
from itertools import combinations

from nicegui import ui

from faultml.care.names import same
from faultml.desk.desk import Desk
from faultml.desk.jobs import Job
from faultml.desk.plain_words import error_words
from faultml.desk.progress import JobView
from faultml.desk.words import Words, para
from faultml.errors import FaultmlError, InputError
from faultml.report.text import shown
from faultml.store.names import SAME, name_statements, players_of, say_apart, say_same


class NamesPart:
    """The part of Today about names; `on_change` is called when something was said of one."""

    def __init__(self, desk: Desk, on_change: Callable[[], None]) -> None:
        self._desk = desk
        self._on_change = on_change
        self._merged()
        for first, second in self._alike():
            self._ask(first, second)
        self._any_two()
        self._jobs = ui.element("div")

    def _merged(self) -> None:
        statements = [each for each in name_statements(self._desk.store) if each.says == SAME]
        for each in statements:
            with ui.element("div").classes("card"):
                ahead = "" if each.name not in self._desk.season.players else " from the next assessment on"
                para(
                    f"{shown(each.name)} is read as {shown(each.player)}{ahead} ({shown(each.by)}, {each.when[:10]})."
                )
                with ui.element("div").classes("bar"):
                    ui.button(
                        "Two people after all",
                        on_click=lambda _, each=each: self._say(say_apart, each.name, each.player),
                    ).props("outline")
                    if ahead:
                        ui.button("Assess every swing again", on_click=self._assess)

    def _alike(self) -> list[tuple[str, str]]:
        """Recorded names that differ in case, accents, spaces and punctuation at most, and nothing was said of them."""
        players = players_of(self._desk.store)
        said = {frozenset((each.name, each.player)) for each in name_statements(self._desk.store)}
        folded: dict[str, list[str]] = {}
        for name in self._desk.season.players:
            key = "".join(letter for letter in name.casefold() if letter.isalnum())
            folded.setdefault(key, []).append(name)
        return [
            (first, second)
            for names in folded.values()
            for first, second in combinations(names, 2)
            if same(first, second)
            and frozenset((first, second)) not in said
            and players.get(first, first) != players.get(second, second)
        ]

    def _ask(self, first: str, second: str) -> None:
        with ui.element("div").classes("card"):
            para(f"{shown(first)} and {shown(second)} are both recorded. Is that one player?")
            with ui.element("div").classes("bar"):
                ui.button(f"One: {shown(first)}", on_click=lambda: self._say(say_same, second, first))
                ui.button(f"One: {shown(second)}", on_click=lambda: self._say(say_same, first, second))
                ui.button("Two people", on_click=lambda: self._say(say_apart, first, second)).props("outline")

    def _any_two(self) -> None:
        names = {each: shown(each) for each in self._desk.season.players}
        with ui.element("details"):
            Words("summary", "Two names of one player")
            with ui.element("div").classes("bar"):
                name = ui.select(names, label="This name", with_input=True)
                player = ui.select(names, label="is this player", with_input=True)
                ui.button("One player", on_click=lambda: self._say(say_same, name.value, player.value))

    def _say(self, say: Callable[..., None], name: str | None, player: str | None) -> None:
        if not name or not player:
            ui.notify("Choose two names.")
            return
        try:
            if say is say_same:
                self._refuse_clash(name, player)
            say(self._desk.store, name, player, self._desk.remembered.coach or "the coach")
        except FaultmlError as error:
            ui.notify(f"Not kept: {error_words(error)}", type="negative", timeout=0, close_button="Close")
            return
        ui.notify("Kept. Assess every swing again to use it.")
        self._on_change()

    def _refuse_clash(self, name: str, player: str) -> None:
        """Two swings of one session and number would both be refused."""
        swings = self._desk.season.swings
        ids = [
            set(swings.loc[swings["player"] == each, ["session", "swing"]].itertuples(index=False, name=None))
            for each in (name, player)
        ]
        both = sorted(ids[0] & ids[1])
        if both:
            raise InputError(
                "same-swings",
                where=f"{name} and {player}",
                expected="sessions and numbers that only one of them has",
                found=f"{len(both)} that both have, such as {' / '.join(map(str, both[0]))}",
            )

    def _assess(self) -> None:
        with self._jobs:
            JobView(self._desk, self._desk.classify(), on_end=self._assessed)

    def _assessed(self, job: Job) -> None:
        self._on_change()
