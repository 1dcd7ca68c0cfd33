"""Player: the report's page of one player as of now, a drill given through the care check, and the card."""

from __future__ import annotations

import asyncio

from nicegui import ui

from faultml.coaching.care_now import explanation_now
from faultml.coaching.explain import EXPLANATIONS_FILE, decode
from faultml.desk.desk import Desk
from faultml.desk.frame import frame
from faultml.desk.live import on_change
from faultml.desk.people import People
from faultml.desk.places.giving import DrillForm, paused_words
from faultml.desk.places.hurts import HurtsDialog
from faultml.desk.places.numbers import numbers_part
from faultml.desk.plain_words import error_words, without_commands
from faultml.desk.sessions import Session
from faultml.desk.words import Words, para, table
from faultml.errors import FaultmlError
from faultml.outcomes.assignments import assignments
from faultml.report.card import render_card_part
from faultml.report.offline import style
from faultml.report.page import render_player
from faultml.report.source import ReportSource, read_source
from faultml.report.text import shown


class PlayerPlace:
    """The page of one player. Nothing on it says anything of a player's health: it may be shown."""

    def __init__(self, desk: Desk, session: Session, player: str) -> None:
        self._desk = desk
        self._session = session
        self._player = player
        self._drawn: object = None

    def build(self) -> None:
        """Fill the page."""
        key = self._session.key(self._player)
        with frame("Players", shown(self._player)):
            self._hurts = HurtsDialog(self._desk)
            with ui.element("div").classes("bar no-print"):
                ui.button("Hurts", on_click=lambda: self._hurts.press(self._player))
                for words, address in (
                    ("Swings", "swing"),
                    ("Practice", "practice"),
                    ("Card to print", "card"),
                    ("Coach's notes", "notes"),
                ):
                    Words("a", words).props(f'href="/{address}/{key}"').classes("button")
            self._giving = ui.element("div").classes("no-print").props('aria-live="polite"')
            self._report = ui.element("div")
            with self._report:
                para("Drawing the page …")
            self._numbers = ui.element("div").classes("no-print")
            on_change(self._desk, self._redraw)
        ui.timer(0.05, self._draw, once=True)

    def _redraw(self) -> None:
        ui.timer(0.01, self._draw, once=True)

    async def _draw(self) -> None:
        people = await asyncio.to_thread(People, self._desk)
        self._draw_giving(people)
        try:
            source = await asyncio.to_thread(source_of, self._desk, people)
            page = await asyncio.to_thread(render_player, source, people.coaching, self._player)
        except FaultmlError as error:
            page = None
            self._report.clear()
            with self._report:
                para(f"The page cannot be drawn: {error_words(error)}", "said")
        if page is not None:
            self._report.clear()
            with self._report:
                ui.add_css(within_report("style.css"))
                # Made by the report's own templates, which escape whatever stands in the tables.
                ui.html(without_commands(str(page)), sanitize=False).classes("report")
        self._draw_numbers(people)

    def _draw_giving(self, people: People) -> None:
        plan = people.plans.get(self._player)
        lines = people.plan_lines(self._player)[:1]
        given = assignments(self._desk.store)
        own = given[given["player"] == self._player]
        drills = [(each.drill, each.faults[0]) for each in plan.drills] if plan is not None else []
        drawn = (lines, own.to_dict("records"), drills, people.paused(self._player))
        if drawn == self._drawn:
            # Left as it is: a question may be open in it.
            return
        self._drawn = drawn
        self._giving.clear()
        with self._giving:
            # Why, and what comes next, stand in the report's part below.
            for line in lines:
                para(line, "lead")
            if len(own):
                rows = [
                    [
                        _drill_name(people, row["drill"]),
                        people.coaching.words.get(row["fault"], row["fault"]),
                        shown(row["since"]),
                    ]
                    for row in own.to_dict("records")
                ]
                table("Drills given", ["drill", "for", "from"], rows)
            if people.paused(self._player):
                paused_words(self._session, self._player)
            elif plan is None or not plan.drills:
                para("There is no drill to give now; the page below says why.", "said")
            else:
                DrillForm(self._desk, self._session, self._player, self._hurts, people, plan.drills)

    def _draw_numbers(self, people: People) -> None:
        self._numbers.clear()
        path = self._desk.folder.results / EXPLANATIONS_FILE
        try:
            explanation = decode(path.read_bytes())[self._player]
        except (OSError, KeyError, FaultmlError):
            return
        explanation = explanation_now(
            explanation, people.known.body(self._player), people.coaching, people.today
        )
        with self._numbers:
            numbers_part(explanation, people.coaching)


class CardPlace:
    """The drill to work on next on one sheet of paper, as the player gets it."""

    def __init__(self, desk: Desk, session: Session, player: str) -> None:
        self._desk = desk
        self._session = session
        self._player = player

    async def build(self) -> None:
        """Fill the page, and again whenever what is known of the player changes."""
        with frame("Players", "Card"):
            ui.add_css(within_report("card.css"))
            self._card = ui.element("div").props('aria-live="polite"')
            on_change(self._desk, self._redraw)
        await self._draw()

    def _redraw(self) -> None:
        ui.timer(0.01, self._draw, once=True)

    async def _draw(self) -> None:
        people = await asyncio.to_thread(People, self._desk)
        plan = people.plans.get(self._player)
        may_print = plan is not None and bool(plan.drills) and plan.drills[0].care == "give"
        source = await asyncio.to_thread(source_of, self._desk, people) if may_print else None
        self._card.clear()
        with self._card:
            with ui.element("div").classes("bar no-print"):
                if source is not None:
                    ui.button("Print").on("click", js_handler="() => window.print()")
                Words("a", "Back to the player").props(
                    f'href="/player/{self._session.key(self._player)}"'
                ).classes("button")
            if source is None:
                para(
                    "There is no card to print now: the player is paused, has no drill, or has to be asked first. "
                    "The coach's notes say what is open.",
                    "said",
                )
                return
            card = render_card_part(source, self._player, people.coaching, people.today)
            ui.html(str(card), sanitize=False).classes("report")


def within_report(sheet: str) -> str:
    """A style sheet of the report for the part of a page that is drawn by the report's templates."""
    # Nested, `:root` would match nothing, and with it every colour would be lost.
    return f".report {{ {style(sheet).replace(':root', '&')} }}"


def source_of(desk: Desk, people: People) -> ReportSource:
    """What the report's page is made of, with what care says now."""
    results = desk.season.results
    assert results is not None, "the season was classified"
    return read_source(results, people.known, people.coaching, people.today, people.notes)


def _drill_name(people: People, drill: str) -> str:
    return people.coaching.book[drill].name if drill in people.coaching.book else drill
