"""One player's practice on a page: a thread reads samples, the page's own loop does everything else."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from typing import Final

from faultml.errors import FaultmlError
from faultml.practice.events import Trouble
from faultml.practice.frames import Sample
from faultml.practice.session import Guess, PracticeSession, Refused, SessionEvent, SetBegins

TICK_S: Final = 0.2
SILENT_S: Final = 1.5
"""So long without a first sample is reported as silence."""

Source = Callable[[], Iterable[Sample | float]]
"""Opens a source; called in the thread that reads it."""


class Practising:
    """Feeds a session and hands on what it says.

    Parameters
    ----------
    session
        Judges and keeps.
    show
        Gets the events, on the loop of the page.
    trace
        Gets every sample, on the same loop.
    ended
        Called when the source has ended, with why where it failed, else "".
    """

    def __init__(
        self,
        session: PracticeSession,
        show: Callable[[list[SessionEvent]], None],
        trace: Callable[[Sample], None],
        ended: Callable[[str], None],
    ) -> None:
        self.session = session
        self._show, self._trace, self._ended = show, trace, ended
        self._stopped = threading.Event()
        self._thread: threading.Thread | None = None
        self._held = False
        self._last_s, self._came_s, self._any = 0.0, time.monotonic(), False

    @property
    def is_running(self) -> bool:
        """Whether samples are read."""
        return self._thread is not None and not self._stopped.is_set()

    def start(self, source: Source, ended_words: Callable[[Exception], str]) -> None:
        """Read a source from now on."""
        loop = asyncio.get_running_loop()
        self._came_s = time.monotonic()
        self._thread = threading.Thread(target=self._read, args=(source, loop, ended_words), daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Read no more."""
        self._stopped.set()

    def begin_set(self) -> SetBegins | Refused:
        """As `PracticeSession.begin_set`."""
        self._held = False
        return self.session.begin_set()

    def guess(self, number: int, said: Guess) -> None:
        """What the player says before the result."""
        self._show(self.session.guess(number, said))

    def ask(self, number: int) -> None:
        """The result of a repetition on request."""
        self._show(self.session.ask(number))

    def end_set(self) -> None:
        """End the set, if one is under way."""
        if self.session.in_set:
            self._show([self.session.end_set()])

    def hurts(self) -> None:
        """Stop first, and hold every drill."""
        self._held = True
        self._show(self.session.hurts())

    def mistake(self) -> None:
        """As `PracticeSession.mistake`; time has gone on although no sample was taken."""
        self.session.wait(self._now_s())
        self.session.mistake()
        self._held = False

    def care_changed(self) -> bool:
        """Whether a set was ended because another page or a command holds the drill now."""
        return bool(self.session.end_if_held())

    def tick(self) -> None:
        """Let time pass; called every `TICK_S`."""
        if self._held or not self.is_running:
            return
        if self._any:
            self._show(self.session.wait(self._now_s()))
        elif time.monotonic() - self._came_s > SILENT_S:
            self._came_s = time.monotonic()
            self._show([Trouble(t_s=0.0, code="silent")])

    def _now_s(self) -> float:
        return self._last_s + time.monotonic() - self._came_s

    def _read(
        self, source: Source, loop: asyncio.AbstractEventLoop, ended_words: Callable[[Exception], str]
    ) -> None:
        why = ""
        items: Iterator[Sample | float] = iter(())
        try:
            items = iter(source())
            for item in items:
                if self._stopped.is_set():
                    return
                loop.call_soon_threadsafe(self._take, item)
        except (FaultmlError, OSError) as error:
            why = ended_words(error)
        # The loop may have ended before the source.
        with suppress(RuntimeError):
            loop.call_soon_threadsafe(self._end, why)

    def _take(self, item: Sample | float) -> None:
        if self._held or self._stopped.is_set():
            return
        if not isinstance(item, Sample):
            self._show(self.session.wait(item))
            return
        self._last_s, self._came_s, self._any = item.t_s, time.monotonic(), True
        events = self.session.push(item)
        if events:
            self._show(events)
        self._trace(item)

    def _end(self, why: str) -> None:
        if self._stopped.is_set():
            return
        self.stop()
        if not self._held:
            self._show(self.session.finish())
        self._ended(why)
