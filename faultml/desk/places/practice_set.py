"""The board of a set: a word that is read from three metres, a bar, the presses of the player, and the live drawing."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from nicegui import ui

from faultml.desk.linked import plain_chart
from faultml.desk.practice_drawn import Trace
from faultml.desk.practice_words import Sign, sign_of
from faultml.desk.words import Words, para
from faultml.drawings.echarts import as_echarts
from faultml.practice.events import SetUpAgain, SetupTaken
from faultml.practice.judge import Target
from faultml.practice.session import Counted, GuessAsked, Held, Result, SessionEvent, SetBegins, SetEnds

_BAR_DEG: Final = 15.0
_REST_STEP_S: Final = 1.0


class SetBoard:
    """Shows what a session says; made inside the element that is open.

    Parameters
    ----------
    target
        What is practised.
    guess, ask, end
        What the presses do: a guess of a repetition (whether it was inside), its result on request, the end of the set.
    """

    def __init__(
        self,
        target: Target,
        guess: Callable[[int, bool], None],
        ask: Callable[[int], None],
        end: Callable[[], None],
    ) -> None:
        self.trace = Trace(target)
        self._channel = target.window.channel
        self._guess, self._ask = guess, ask
        self._number, self._of, self._left = 0, 0, 0
        self._draws, self._rest_s, self._ready = True, 0.0, False
        self._client = ui.context.client
        with ui.element("div").classes("board") as self._root:
            self._counts = para("No set yet.", "note")
            with ui.element("div").props('aria-live="assertive"'):
                self._word = Words("p", "…").classes("word").mark("word")
                self._says = para("", "lead says")
            with ui.element("div").classes("margin").props('role="img"') as self._bar:
                self._out, self._in = ui.element("div"), ui.element("div")
            with ui.element("div").classes("note margin-words"):
                Words("span", "◂ inside")
                Words("span", "outside ▸")
            with ui.element("div").classes("bar no-print"):
                self._in_button = ui.button("In", on_click=lambda: self._say(True))
                self._out_button = ui.button("Out", on_click=lambda: self._say(False))
                ui.button("Result", on_click=self._result).props("outline")
                ui.button("End the set", on_click=end).props("outline")
            with ui.element("div").classes("bar no-print"):
                ui.checkbox("Large type", on_change=lambda event: self._enlarge(event.value))
                ui.checkbox("No sound", on_change=lambda event: self._mute(event.value))
        self._window = para(self.trace.window_words(), "note")
        with ui.element("div") as self._drawing:
            self._chart = plain_chart(self.trace.picture())
        self._not_drawn = para("", "note")
        self._set_bar(None)
        self._asks(False)
        ui.timer(_REST_STEP_S, self._count_rest)

    def begin(self, target: Target) -> None:
        """Samples of a source that was opened anew are coming."""
        self.trace = Trace(target)

    def show(self, events: list[SessionEvent]) -> None:
        """What a session says; called from anywhere on the loop."""
        if not events:
            return
        with self._root:
            for event in events:
                self._take(event)
                sign = sign_of(event, self._channel)
                if isinstance(event, SetupTaken | SetUpAgain) and self._waits:
                    # The player stands at the ball while the guess is awaited: the question stays.
                    self._ready = isinstance(event, SetupTaken)
                elif sign is not None:
                    self._put(sign)

    def stopped(self, why: str) -> None:
        """The set was ended from elsewhere."""
        with self._root:
            self._put(Sign("STOP", why, sound="off"))
            self._set_ended(0.0)

    def source_ended(self, why: str) -> None:
        """No more samples come."""
        with self._root:
            self._counts.set_text(why or "The recording has ended.")
            self._sound("off")
            if why:
                self._put(Sign("SENSOR", why, sound="off"))

    def draw(self) -> None:
        """Draw the trace anew where it is to be seen."""
        if self._draws:
            self._chart.props["options"] = as_echarts(self.trace.picture())
            self._chart.update()

    def key(self, name: str) -> None:
        """A key that was pressed."""
        match name:
            case "i" | "o":
                self._say(name == "i")
            case "r":
                self._result()
            case _:
                pass

    # ------------------------------------------------------------------ inside

    def _take(self, event: SessionEvent) -> None:
        match event:
            case SetBegins():
                self._number, self._of, self._left = 0, event.repetitions, event.sets_left
                self._rest_s = 0.0
                self._count(f"set {event.number}, {event.sets_left} left today with this one")
                # Who watches the curve has feedback: it is drawn live only where the cue is.
                self._draws = event.live
                self._drawing.set_visibility(event.live)
                words = (
                    "In a quiet set nothing is drawn."
                    if event.quiet
                    else "The curve is drawn with each result."
                )
                self._not_drawn.set_text("" if event.live else words)
                self._balls = event.balls_left
            case SetupTaken():
                self.trace.setup_deg = event.setup_deg
            case GuessAsked():
                self._number = event.number
                self._count()
                self._asks(True)
            case Counted():
                self._number = event.number
                self._count()
            case Result():
                self._asks(False)
                if not self._draws:
                    self._draw_once()
            case SetEnds():
                self._set_ended(event.rest_s)
            case Held():
                self._asks(False)

    def _draw_once(self) -> None:
        self._drawing.set_visibility(True)
        self._draws = True
        self.draw()
        self._draws = False

    def _put(self, sign: Sign) -> None:
        # The sound first: it is what may not wait.
        if sign.sound:
            self._sound(sign.sound)
        self._word.set_text(sign.word)
        self._says.set_text(f"{sign.says} Ready for the next." if self._ready else sign.says)
        self._ready = False
        self._set_bar(sign.inside_deg)

    def _sound(self, sound: str) -> None:
        call = f"cue('{sound}')" if sound in ("above", "below") else f"{sound}()"
        self._client.run_javascript(f"window.practiceSound?.{call}")

    def _set_bar(self, inside_deg: float | None) -> None:
        self._bar.set_visibility(inside_deg is not None)
        if inside_deg is None:
            return
        share = min(1.0, abs(inside_deg) / _BAR_DEG) * 50
        self._in.style(f"width: {share if inside_deg >= 0 else 0:.1f}%")
        self._out.style(f"width: {share if inside_deg < 0 else 0:.1f}%")
        side = "inside" if inside_deg >= 0 else "outside"
        self._bar.props["aria-label"] = f"{abs(inside_deg):.0f}° {side} the bound"

    def _asks(self, now: bool) -> None:
        self._waits = now
        self._in_button.set_enabled(now)
        self._out_button.set_enabled(now)

    def _say(self, inside: bool) -> None:
        self._guess(self._number, inside)

    def _result(self) -> None:
        if self._number:
            self._ask(self._number)

    def _count(self, beside: str = "") -> None:
        if beside:
            self._beside = beside
        self._counts.set_text(f"Repetition {self._number} of {self._of}; {self._beside}.")

    def _set_ended(self, rest_s: float) -> None:
        self._asks(False)
        self._rest_s = rest_s
        left = max(0, self._left - 1)
        self._counts.set_text(f"{left} sets left today." if left else "That was today's last set.")
        self._draws = True
        self._drawing.set_visibility(True)
        self._not_drawn.set_text("")

    def _count_rest(self) -> None:
        if self._rest_s > 0:
            self._rest_s -= _REST_STEP_S
            rest = f"Rest {self._rest_s:.0f} s, then begin the next set." if self._rest_s > 0 else "Rested."
            if self._left > 1:
                self._says.set_text(rest)

    def _enlarge(self, large: bool) -> None:
        self._root.classes(add="large" if large else "", remove="" if large else "large")

    def _mute(self, mute: bool) -> None:
        self._client.run_javascript(f"window.practiceSound?.setMute({str(mute).lower()})")
