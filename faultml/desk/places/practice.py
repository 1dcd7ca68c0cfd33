"""Practice: one player's active drill, set by set, with the care check before each."""

from __future__ import annotations

import asyncio
from datetime import date
from importlib import resources
from typing import Final

from nicegui import ui
from nicegui.events import KeyEventArguments

from faultml.coaching.book import Drill
from faultml.desk.desk import Desk
from faultml.desk.frame import frame
from faultml.desk.live import on_change
from faultml.desk.people import People, known_now
from faultml.desk.places.giving import paused_words
from faultml.desk.places.hurts import HurtsDialog
from faultml.desk.places.practice_set import SetBoard
from faultml.desk.places.practice_source import SourceForm
from faultml.desk.places.questions import CareQuestions
from faultml.desk.plain_words import error_words, without_commands
from faultml.desk.practising import TICK_S, Practising
from faultml.desk.sessions import Session
from faultml.desk.words import Words, bullets, heading, keys, para, table
from faultml.errors import FaultmlError, InputError
from faultml.practice.judge import Target
from faultml.practice.kept import kept_sets
from faultml.practice.of_results import ALONE, target_of_results
from faultml.practice.session import PracticeSession, Refused
from faultml.practice.swings import ModelReader
from faultml.report.text import shown

EVIDENCE: Final = (
    "The evidence for this kind of practice is low: the studies are of other movements, most of feedback after a "
    "trial, and none is of a golfer's wrist."
)
UNPROVEN: Final = (
    "A sensor follows the repetitions of this drill and counts them, and gives no verdict: in tests it was wrong too "
    "often. The check above decides."
)
KEYS: Final = {"b": "begin a set", "i": "in", "o": "out", "r": "result", "e": "end the set", "h": "hurts"}
_BY_NOBODY: Final = "the player at the desk"


class PracticeList:
    """Who has a drill to practise."""

    def __init__(self, desk: Desk, session: Session) -> None:
        self._desk, self._session = desk, session

    def build(self) -> None:
        """Fill the page."""
        with frame("Practice", "Practice"):
            if self._desk.season.results is None:
                para("No swing has been assessed yet. Drop your recorder's files on the Tray first.", "lead")
                Words("a", "To the Tray").props('href="/tray"')
                return
            people = People(self._desk)
            active = {player: row for player, row in people.lessons.items() if row.active}
            if not active:
                para("Nobody has a drill now. A drill is given on the player's page.", "lead")
                Words("a", "To the players").props('href="/players"')
                return
            para("Who practises? Players who have a drill now:", "lead")
            with ui.element("ul").classes("plain"):
                for player, row in sorted(active.items()):
                    with ui.element("li"):
                        key = self._session.key(player)
                        Words("a", shown(player)).props(f'href="/practice/{key}"').classes("who")
                        Words("span", f" {_name(people, row.drill)}")


class PracticePlace:
    """The page on which one player practises. Nothing on it says anything of a player's health: it may be shown."""

    def __init__(self, desk: Desk, session: Session, player: str) -> None:
        self._desk, self._session, self._player = desk, session, player
        self._practising: Practising | None = None
        self._target: Target | None = None
        self._swings: ModelReader | None = None

    def build(self) -> None:
        """Fill the page."""
        key = self._session.key(self._player)
        with frame("Practice", shown(self._player)):
            self._hurts = HurtsDialog(self._desk, self._stop_and_hold, self._take_back)
            with ui.element("div").classes("bar no-print"):
                ui.button("Hurts", on_click=lambda: self._hurts.press(self._player))
                for words, address in (("Player", "player"), ("Card to print", "card")):
                    Words("a", words).props(f'href="/{address}/{key}"').classes("button")
            with ui.element("div") as self._body:
                para("Looking up the drill …", "note")
        ui.timer(0.05, self._fill, once=True)

    async def _fill(self) -> None:
        people = await asyncio.to_thread(People, self._desk)
        row = people.lessons.get(self._player)
        self._body.clear()
        with self._body:
            if people.paused(self._player):
                paused_words(self._session, self._player)
                return
            if row is None or not row.active or row.drill not in people.coaching.book:
                para("There is no drill to practise now. A drill is given on the player's page.", "said")
                return
            self._drill = people.coaching.book[row.drill]
            self._next_check = row.next_check
            self._build_drill(self._drill)
            try:
                self._target = await asyncio.to_thread(self._placed, people)
            except InputError as error:
                alone_words(self._drill, error)
            else:
                self._build_practice(self._target)
            self._build_retest()
            on_change(self._desk, self._changed)

    def _placed(self, people: People) -> Target:
        results = self._desk.season.results
        assert results is not None, "the season was classified"
        return target_of_results(results, self._player, self._drill, people.coaching)

    def _build_drill(self, drill: Drill) -> None:
        heading(2, drill.name)
        para(drill.aim, "lead")
        with ui.element("details"):
            Words("summary", "How it goes")
            bullets([*drill.without_ball, *([drill.rehearsal.adds] if drill.rehearsal.adds else [])])
            para(f"Alone you check it so: {drill.check}")
            para(f"With a ball: {' '.join(drill.with_ball)} {drill.surface}")
            para(drill.stop)
        if drill.rehearsal.unproven:
            para(UNPROVEN, "said")
        para(EVIDENCE, "note")

    def _build_practice(self, target: Target) -> None:
        with ui.element("div").classes("card no-print") as self._before:
            heading(2, "Before the set")
            self._source = SourceForm(self._desk, self._player)
            with ui.element("div").classes("bar"):
                begin = ui.button("Begin a set", on_click=self.begin)
                begin.on("click", js_handler="() => window.practiceSound?.wake()")
            self._asked = ui.element("div").props('aria-live="polite"')
        self._questions = CareQuestions(self._desk, self._player, self._hurts, self._begin_soon)
        self._board = SetBoard(target, self._guess, self._ask, self._end)
        keys(KEYS)
        ui.keyboard(on_key=self._key)
        ui.run_javascript(_sound())
        ui.timer(TICK_S, self._tick)
        ui.context.client.on_delete(self._leave)

    def _build_retest(self) -> None:
        self._after = ui.element("div").classes("no-print")
        self._draw_after()

    # ------------------------------------------------------------------ presses

    async def begin(self) -> None:
        """Care is asked, then the source is opened where none is open, and the next set begins."""
        if self._practising is not None and self._practising.session.in_set:
            return
        self._asked.clear()
        source = self._source.chosen()
        running = self._practising is not None and self._practising.is_running
        if source is None and not running:
            self._refuse("Choose where the samples come from first.")
            return
        try:
            if self._practising is None or not running:
                self._practising = await self._opened()
            begun = self._practising.begin_set()
        except FaultmlError as error:
            self._refuse(f"No set: {error_words(error)}.")
            return
        if isinstance(begun, Refused):
            self._refused(begun)
            return
        self._board.show([begun])
        if not running and source is not None:
            self._practising.start(source, error_words)

    def _begin_soon(self) -> None:
        # In an element that stays: what was asked is cleared on the way.
        with self._before:
            ui.timer(0.01, self.begin, once=True)

    async def _opened(self) -> Practising:
        """A session with the window as it is placed for the sensor in use."""
        target = self._target
        assert target is not None
        if self._swings is None:
            self._swings = await asyncio.to_thread(ModelReader)
        people = await asyncio.to_thread(People, self._desk)
        results = self._desk.season.results
        assert results is not None, "the season was classified"
        sd_deg = self._source.mounting_sd_deg()
        target = target_of_results(results, self._player, self._drill, people.coaching, sd_deg)
        session = PracticeSession(
            self._player,
            target,
            self._desk.store,
            lambda: known_now(self._desk, date.today()),
            by=self._desk.remembered.coach or _BY_NOBODY,
            swings=self._swings,
        )
        self._board.begin(target)
        return Practising(session, self._board.show, self._board.trace.add, self._ended)

    def _refused(self, refused: Refused) -> None:
        if refused.ask:
            with self._asked:
                left = f"ask {len(refused.ask)} things. First:" if len(refused.ask) > 1 else "ask:"
                self._questions.ask(refused.ask[0], f"Before the set, {left}")
        elif refused.reason == "dose-done":
            self._refuse("Enough for today: the day's sets are done. Go on tomorrow.")
        elif People(self._desk).paused(self._player):
            with self._asked:
                paused_words(self._session, self._player)
        else:
            # Of a player's health nothing is said here: this page may be shown.
            self._refuse("No set now: speak with your coach first.")

    def _refuse(self, why: str) -> None:
        with self._asked:
            para(why, "said")

    def _guess(self, number: int, inside: bool) -> None:
        if self._practising is not None:
            self._practising.guess(number, "in" if inside else "out")

    def _ask(self, number: int) -> None:
        if self._practising is not None:
            self._practising.ask(number)

    def _end(self) -> None:
        if self._practising is not None:
            self._practising.end_set()

    def _stop_and_hold(self, player: str, by: str) -> None:
        if self._practising is None:
            People(self._desk).hurts(player, self._by())
        else:
            self._practising.hurts()

    def _take_back(self, player: str, by: str) -> None:
        if self._practising is None:
            People(self._desk).mistaken(player, self._by())
        else:
            self._practising.mistake()

    def _by(self) -> str:
        return self._desk.remembered.coach or _BY_NOBODY

    def _key(self, event: KeyEventArguments) -> None:
        if not event.action.keydown or event.modifiers.ctrl or event.modifiers.alt or event.modifiers.meta:
            return
        match event.key.name:
            case "b":
                self._begin_soon()
            case "h":
                self._hurts.press(self._player)
            case "e":
                self._end()
            case name:
                self._board.key(str(name))

    # ------------------------------------------------------------------ time

    def _tick(self) -> None:
        if self._practising is not None:
            self._practising.tick()
        self._board.draw()

    def _changed(self) -> None:
        """Another page, or a command, has changed the store: it may hold this drill now."""
        if self._practising is not None and self._practising.care_changed():
            self._board.stopped("Stopped: no drill now. Speak with your coach first.")
        self._draw_after()

    def _ended(self, why: str) -> None:
        self._board.source_ended(f"The samples cannot be read: {why}." if why else "")

    def _leave(self) -> None:
        if self._practising is not None:
            self._practising.stop()
            self._practising.end_set()
        self._source.discard()

    # ------------------------------------------------------------------ afterwards

    def _draw_after(self) -> None:
        self._after.clear()
        done = kept_sets(self._desk.store, self._player, self._drill.id)
        with self._after:
            if done:
                heading(2, "Sets done")
                rows = [
                    [
                        f"{each.day}, set {each.number}",
                        "quiet" if each.quiet else f"{each.feedback_share:.0%}",
                        str(each.repetitions),
                        f"{each.inside} of {each.judged}",
                        f"{each.guesses_right} of {each.guesses}",
                    ]
                    for each in done[-9:]
                ]
                table(
                    "The last sets",
                    ["set", "results given", "repetitions", "inside, of those judged", "guessed right"],
                    rows,
                )
            heading(2, "The re-test")
            para(f"What shows that it worked: {self._drill.retest}. Sets with a sensor never count for it.")
            today = date.today().isoformat()
            if any(each.day == today for each in done):
                para("Not today: a re-test is made on a later day than practice.", "note")
                return
            due = self._next_check
            if due and due > today:
                para(
                    f"It is due from {due} on: before any set of that day, with no cue and no result.", "note"
                )
                return
            para(
                f"Today it may be made: before any set, {self._drill.retest.of} full swings with no cue and no result. "
                "Record them as a session of play and drop the files on the Tray."
            )
            Words("a", "To the Tray").props('href="/tray"').classes("button")


def alone_words(drill: Drill, error: InputError) -> None:
    """How a player practises where no sensor judges."""
    if error.code == ALONE:
        para(f"No sensor judges this drill. {drill.rehearsal.why_alone}", "said")
    else:
        para(f"No window can be placed: {without_commands(error_words(error))}.", "said")
    heading(2, "You check it alone")
    para(drill.check, "lead")
    para(f"{drill.dose}. {drill.stop}")


def _name(people: People, drill: str) -> str:
    return people.coaching.book[drill].name if drill in people.coaching.book else drill


def _sound() -> str:
    return resources.files("faultml.desk").joinpath("practice_sound.js").read_text(encoding="utf-8")
