"""Drives a session on a terminal: samples from a source, presses from the keyboard, lines out."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Final, TextIO

from faultml.errors import FaultmlError, InputError
from faultml.importing.alignment import Alignment
from faultml.importing.layout import Layout
from faultml.practice.frames import Sample
from faultml.practice.replay import read_samples
from faultml.practice.session import PracticeSession, Refused, SessionEvent, SetEnds
from faultml.practice.terminal import lines_of

_TICK_S: Final = 0.1

Tick = float
"""Time on the recording's clock at which no sample has come."""


def open_source(
    written: str, player: str, *, layout: Layout | None, alignment: Alignment | None, fast: bool = False
) -> Iterator[Sample | Tick]:
    """Samples from ``replay:FILE`` at its own pace, or from ``lsl:NAME``.

    Raises
    ------
    InputError
        ``bad-source``; else as `faultml.practice.replay.read_samples` and `faultml.practice.lsl.stream_samples`.
    """
    kind, _, name = written.partition(":")
    if kind == "replay" and name and Path(name).is_file():
        samples = read_samples(Path(name), player, layout=layout, alignment=alignment)
        return iter(samples) if fast else paced(samples)
    if kind == "lsl" and name:
        from faultml.practice.lsl import stream_samples

        return stream_samples(name)
    raise InputError("bad-source", where="--from", expected="replay:FILE or lsl:NAME", found=repr(written))


def paced(samples: Iterable[Sample]) -> Iterator[Sample]:
    """Samples at the pace of their own clock."""
    begun, first_s = time.monotonic(), None
    for sample in samples:
        first_s = sample.t_s if first_s is None else first_s
        ahead_s = sample.t_s - first_s - (time.monotonic() - begun)
        if ahead_s > 0:
            time.sleep(ahead_s)
        yield sample


class Driver:
    """Sets one after the other, until they are done, the samples end or somebody presses."""

    def __init__(self, session: PracticeSession, say: Callable[[str], object], sets: int) -> None:
        self._session, self._say, self._left = session, say, sets
        self._last = 0
        self._held = False

    def run(self, samples: Iterable[Sample | Tick], keyboard: TextIO) -> None:
        """Drive the session to its end."""
        pressed: queue.SimpleQueue[str] = queue.SimpleQueue()
        threading.Thread(target=_read, args=(keyboard, pressed), daemon=True).start()
        if not self._begin():
            return
        for item in samples:
            event = self._session.push(item) if isinstance(item, Sample) else self._session.wait(item)
            self._show(event)
            while not pressed.empty():
                self._press(pressed.get())
            if not self._session.in_set and not self._held and (self._left <= 0 or not self._begin()):
                return
        self._show(self._session.finish())

    def _begin(self) -> bool:
        begun = self._session.begin_set()
        self._show([begun])
        self._left -= 1
        return not isinstance(begun, Refused)

    def _show(self, events: list[SessionEvent]) -> None:
        for event in events:
            self._last = getattr(event, "number", self._last) if not isinstance(event, SetEnds) else 0
            for line in lines_of(event):
                self._say(line)

    def _press(self, written: str) -> None:
        key = written.strip().lower()
        session = self._session
        try:
            match key:
                case "i" | "in":
                    self._show(session.guess(self._last, "in"))
                case "o" | "out":
                    self._show(session.guess(self._last, "out"))
                case "r":
                    self._show(session.ask(self._last))
                case "e" if session.in_set:
                    self._show([session.end_set()])
                case "h":
                    self._held = True
                    self._show(session.hurts())
                case "m" if self._held:
                    session.mistake()
                    self._held = False
                    self._say("Logged as pressed by mistake. What stood before holds again.")
                case "":
                    pass
                case _ if self._held:
                    session.hurts_where(written.strip())
                    self._say("Recorded. Ask your coach before the next practice.")
        except FaultmlError as error:
            self._say(str(error))


def _read(keyboard: TextIO, pressed: queue.SimpleQueue[str]) -> None:
    # A keyboard that is closed, or none at all, presses nothing.
    with suppress(ValueError, OSError):
        for line in keyboard:
            pressed.put(line)
