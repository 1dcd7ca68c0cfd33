"""Connections bounded in number and in time: uvicorn's h11 protocol with deadlines.

uvicorn counts requests once their head is parsed and waits for a head for ever, so clients that never finish one would
use up the process's files. Here a head has a deadline, as has a client that does not read its answer or goes on sending
after it, and where there are too many connections the one that has waited longest with an unfinished head is closed.
"""

from __future__ import annotations

import asyncio
import sys
from collections import Counter
from collections.abc import Callable
from typing import Any, Final, Literal

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

from faultml.service.problems import Refusal, document
from faultml.service.settings import Limits

try:
    import resource
except ImportError:  # pragma: no cover - not on POSIX, where files are not counted like this
    resource = None  # type: ignore[assignment]

ACCEPTED_AT_ONCE: Final = 8
"""Connections that asyncio accepts in one turn of its loop."""

MAX_IDLE_S: Final = 30.0
_MAX_DRAIN_S: Final = 5.0
_QUIET_S: Final = 5.0
"""How long a body may pause before its connection may be closed to make room."""
_SPARE_FILES: Final = 64 + 4 * ACCEPTED_AT_ONCE
"""Files that are no connections, and connections that are not counted.

Three turns pass until a protocol hears of a connection that was accepted, and one until a closed one has let go.
"""
_MIN_CONNECTIONS: Final = 16

Phase = Literal["head", "request", "drain", "idle", "socket"]


def max_connections(limits: Limits) -> int:
    """Connections at once: the limit, or fewer where the process may not open so many files."""
    if resource is None:  # pragma: no cover - not on POSIX
        return limits.max_connections
    files, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    if files == resource.RLIM_INFINITY:
        return limits.max_connections
    return min(limits.max_connections, max(files - _SPARE_FILES, _MIN_CONNECTIONS))


class Connections:
    """The connections of one server.

    Attributes
    ----------
    closed
        How many were closed before their time, by reason: ``evicted``, ``refused``, ``head``, ``drain``, ``unread``.
    """

    def __init__(self, limits: Limits) -> None:
        self.limits = limits
        self.closed: Counter[str] = Counter()
        self._max = max_connections(limits)
        self._open: dict[GuardedProtocol, None] = {}  # in the order in which they came

    def __len__(self) -> int:
        return len(self._open)

    def protocol(self, *args: Any, **kwargs: Any) -> GuardedProtocol:
        """A protocol for a new connection, as uvicorn asks for it."""
        return GuardedProtocol(self, *args, **kwargs)

    def add(self, new: GuardedProtocol) -> None:
        """Count a connection; where there are too many, close another, or this one where all others are at work."""
        self._open[new] = None
        if len(self._open) > self._max:
            victim = self._victim(new)
            self.closed["refused" if victim is new else "evicted"] += 1
            victim.give_up()

    def remove(self, gone: GuardedProtocol) -> None:
        """Count a connection no more."""
        self._open.pop(gone, None)

    def _victim(self, new: GuardedProtocol) -> GuardedProtocol:
        others = [each for each in self._open if each is not new]
        now = new.loop.time()
        chances: tuple[Callable[[GuardedProtocol], bool], ...] = (
            lambda each: each.transport.is_closing(),
            lambda each: each.phase == "head",
            lambda each: each.phase == "drain",
            lambda each: each.phase == "idle",
            lambda each: each.awaits_body and now - each.heard_at > _QUIET_S,
        )
        for fits in chances:
            found = [each for each in others if fits(each)]
            if found:
                return min(found, key=lambda each: each.since)
        return new


class GuardedProtocol(H11Protocol):
    """One connection.

    Attributes
    ----------
    phase
        What it waits for: a request's ``head``, its own answer to a ``request``, the end (``drain``) of a body that
        nobody reads any more, or nothing (``idle``); a ``socket`` has become a WebSocket, which bounds itself.
    since, heard_at
        When the phase began, and when the last bytes came, on the loop's clock.
    """

    def __init__(self, all_connections: Connections, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.phase: Phase = "head"
        self.since = self.heard_at = self.loop.time()
        self._all = all_connections
        self._deadline: asyncio.TimerHandle | None = None
        self._unread: asyncio.TimerHandle | None = None

    @property
    def awaits_body(self) -> bool:
        """Whether a request's body has not arrived whole."""
        return self.phase == "request" and self.cycle.more_body

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait for a head."""
        super().connection_made(transport)
        self._enter("head")
        self._all.add(self)

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget it."""
        super().connection_lost(exc)
        self._all.remove(self)
        self._unset_keepalive_if_required()
        for timer in (self._deadline, self._unread):
            if timer is not None:
                timer.cancel()

    def data_received(self, data: bytes) -> None:
        """Take in what has arrived."""
        self.heard_at = self.loop.time()
        super().data_received(data)
        self._update()

    def handle_websocket_upgrade(self, event: h11.Request) -> None:
        """Hand the connection over to a WebSocket; it goes on being counted until it is closed."""
        self.phase = "socket"
        if self._deadline is not None:
            self._deadline.cancel()
            self._deadline = None
        super().handle_websocket_upgrade(event)
        taken = self.transport.get_protocol()
        ended = taken.connection_lost

        def lost(exc: Exception | None) -> None:
            ended(exc)
            self._all.remove(self)

        taken.connection_lost = lost  # type: ignore[method-assign]

    def on_response_complete(self) -> None:
        """Wait for what comes after an answer."""
        super().on_response_complete()
        self._update()

    def pause_writing(self) -> None:
        """Wait for the client to read, for a while."""
        super().pause_writing()
        if self._unread is None:
            self._unread = self.loop.call_later(self._all.limits.max_unread_s, self._expire, "unread")

    def resume_writing(self) -> None:
        """The client has read."""
        super().resume_writing()
        if self._unread is not None:
            self._unread.cancel()
            self._unread = None

    def timeout_keep_alive_handler(self) -> None:
        """Close it where nothing more was asked."""
        super().timeout_keep_alive_handler()
        if self.transport.get_write_buffer_size():
            self.give_up()

    def send_400_response(self, msg: str) -> None:
        """Answer what is no HTTP with a problem document, and close.

        Where an answer is being made already, its maker meets a client that has left.
        """
        # h11 knows whether a head was too long, and uvicorn does not hand that on.
        status = getattr(sys.exc_info()[1], "error_status_hint", 400)
        if self.cycle is not None and not self.cycle.response_complete:
            self.cycle.disconnected = True
            self.cycle.message_event.set()
        if self.conn.our_state in (h11.IDLE, h11.SEND_RESPONSE):
            self._answer(
                Refusal(status if status == 431 else 400, "no-request", "It is not a request of HTTP/1.1.")
            )
        self.transport.close()

    def give_up(self) -> None:
        """Close it at once."""
        self.transport.abort()

    def _answer(self, refusal: Refusal) -> None:
        body, headers = document(refusal)
        sent = [*headers.items(), ("connection", "close"), ("content-length", str(len(body)))]
        for event in (
            h11.Response(status_code=refusal.status_code, headers=sent),
            h11.Data(data=body),
            h11.EndOfMessage(),
        ):
            self.transport.write(self.conn.send(event) or b"")

    def _update(self) -> None:
        if self.transport.is_closing() or self.phase == "socket":
            return
        if self.cycle is not None and not self.cycle.response_complete:
            self._enter("request")
        elif self.conn.their_state is h11.SEND_BODY:
            self._enter("drain")
        elif self.cycle is None or self.conn.trailing_data[0]:
            self._enter("head")
        else:
            self._enter("idle")
            if self.timeout_keep_alive_task is None:  # uvicorn forgets it where a body ended after the answer
                self.timeout_keep_alive_task = self.loop.call_later(
                    self.timeout_keep_alive, self.timeout_keep_alive_handler
                )

    def _enter(self, phase: Phase) -> None:
        if phase == self.phase and (self._deadline is not None or phase in ("request", "idle")):
            return
        if self._deadline is not None:
            self._deadline.cancel()
            self._deadline = None
        self.phase, self.since = phase, self.loop.time()
        allowed_s = {"head": self._all.limits.max_head_s, "drain": _MAX_DRAIN_S}.get(phase)
        if allowed_s is not None:
            self._deadline = self.loop.call_later(allowed_s, self._expire, phase)

    def _expire(self, why: str) -> None:
        self._all.closed[why] += 1
        if why == "head" and self.conn.our_state is h11.IDLE and not self.transport.is_closing():
            # Somebody may wait for it, and learns then why the connection closes.
            self._answer(Refusal(408, "head-too-slow", "The head of the request has not arrived in time."))
            self.transport.close()
        else:
            self.give_up()
