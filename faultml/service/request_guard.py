"""What every request passes before anything reads it: who may ask, from where, how much, and what goes out with it.

Websites that a person has open can reach this server through their browser. Against that stand the exact Host (a
name that was bound to this address anew is another name), the Origin of what changes something, and the absence of
any header that would let a page read the answers.
"""

from __future__ import annotations

import asyncio
import logging
import sqlite3
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Final, NamedTuple

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from faultml.service.context import TOKEN, Service
from faultml.service.logs import Event, failure, write
from faultml.service.problems import Refusal, response
from faultml.service.tokens import ANONYMOUS, Token

OPEN_PATHS: Final = ("/healthz", "/readyz")
"""Answered without a token: they say nothing about anybody."""

CLIENT_LEFT: Final = 499
"""What the log says of a request whose client left before its body had arrived."""

_POLICY_VIOLATION: Final = 1008
_BROKEN: Final = 1011
_NEWEST: Final = 0.1
"""Weight of the newest request in the mean of how long requests take."""

UPLOAD_PATH: Final = "/v1/seasons"
HEADERS: Final = {
    "x-content-type-options": "nosniff",
    "cache-control": "no-store",
    "content-security-policy": "default-src 'none'; frame-ancestors 'none'; sandbox",
    "cross-origin-resource-policy": "same-origin",
    "referrer-policy": "no-referrer",
}
"""Go out with every answer."""


class RequestGuard:
    """The outermost layer of the app."""

    def __init__(self, app: ASGIApp, service: Service) -> None:
        self._app = app
        self._service = service
        settings = service.settings
        self._hosts, self._limits = frozenset(settings.hosts), settings.limits
        self._origins = {f"{scheme}://{host}" for scheme in ("http", "https") for host in settings.hosts}
        self._open: Counter[str] = Counter()
        self._mean_s = 1.0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or refuse it."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            elif scope["type"] == "websocket":
                await self._websocket(scope, receive, send)
            return
        method = scope["method"]
        # HEAD is answered as GET; the server, which keeps the scope it made, leaves the body out.
        scope = {**scope, "method": "GET" if method == "HEAD" else method, TOKEN: None}
        started, coming, out = time.monotonic(), _Incoming(receive, self._bounds(scope)), _Outgoing(send)
        try:
            with self._let_in(scope):
                await self._app(scope, coming, out)
        except Refusal as refusal:
            await out.answer(response(refusal), scope, receive)
        except ClientDisconnect:
            coming.left = True
        except Exception as error:
            write(failure(error), logging.ERROR)
            wrong = Refusal(
                500, "internal-error", "Something is wrong with this program, not with the request."
            )
            await out.answer(response(wrong), scope, receive)
        finally:
            spent_s = time.monotonic() - started
            if out.status < 400:
                self._mean_s += _NEWEST * (spent_s - self._mean_s)
            # The route's pattern, not the path: players' names stand in paths.
            route = getattr(scope.get("route"), "path", "-")
            status = CLIENT_LEFT if coming.left else out.status
            token: Token | None = scope[TOKEN]
            name = token.name if token else ANONYMOUS
            if self._service.metrics is not None:
                self._service.metrics.count(method, route, status, spent_s)
            write(Event("request", method, route, status, round(1000 * spent_s, 1), name))

    async def _websocket(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a WebSocket through where a request that changes something would be, or refuse it before it is taken."""
        scope = {**scope, "method": "WEBSOCKET", TOKEN: None}
        try:
            with self._let_in(scope):
                await self._app(scope, receive, send)
        except Refusal:
            await send({"type": "websocket.close", "code": _POLICY_VIOLATION})
        except Exception as error:
            write(failure(error), logging.ERROR)
            await send({"type": "websocket.close", "code": _BROKEN})
        finally:
            token: Token | None = scope[TOKEN]
            route = getattr(scope.get("route"), "path", "-")
            write(Event("request", "WEBSOCKET", route, 101, 0.0, token.name if token else ANONYMOUS))

    @contextmanager
    def _let_in(self, scope: Scope) -> Iterator[None]:
        """Check a request, and count it while it is answered."""
        headers = Headers(scope=scope)
        self._check_host(headers.getlist("host"))
        client = scope["client"][0] if scope.get("client") else ""
        counted = scope["path"] not in OPEN_PATHS  # those are answered however much else there is to do
        if counted:
            token = scope[TOKEN] = self._token(headers.getlist("authorization"))
            client = f"token {token.name}" if token else client
            self._check_counts(client, token)
        if scope["method"] != "GET":
            self._check_origin(headers)
        self._check_body(headers, self._bounds(scope).max_bytes)
        self._open[client] += counted
        try:
            yield
        finally:
            self._open[client] -= counted
            if not self._open[client]:
                del self._open[client]

    def _check_counts(self, client: str, token: Token | None) -> None:
        max_requests = token.max_requests if token else self._limits.max_requests_of_a_client
        if self._open[client] >= max_requests:
            detail = "Wait for the answers to earlier requests."
            raise Refusal(429, "too-many-requests", detail, retry_s=self._mean_s)
        if self._open.total() >= self._limits.max_requests:
            raise Refusal(503, "busy", "Too many requests are being answered.", retry_s=self._mean_s)
        if token is not None:
            try:
                wait_s = self._service.usage.count(token.name, token.max_requests_a_minute)
            except sqlite3.OperationalError as error:
                raise Refusal(503, "busy", "Requests could not be counted.", retry_s=1) from error
            if wait_s:
                said = f"At most {token.max_requests_a_minute} requests a minute with this token."
                raise Refusal(429, "too-many-a-minute", said, retry_s=wait_s)

    def _check_host(self, named: list[str]) -> None:
        if len(named) != 1:
            raise Refusal(400, "bad-host", "One Host header is needed.")
        if named[0].lower() not in self._hosts:
            raise Refusal(421, "wrong-host", "This server goes by another name.")

    def _token(self, given: list[str]) -> Token | None:
        tokens = self._service.tokens
        if not tokens.needed:
            return None
        scheme, _, said = (given[0] if len(given) == 1 else "").partition(" ")
        token = tokens.find(said)
        if token is None or scheme.lower() != "bearer":
            headers = {"www-authenticate": 'Bearer realm="faultml"'}
            raise Refusal(401, "token-needed", "Authorization: Bearer and the token.", headers=headers)
        return token

    def _check_origin(self, headers: Headers) -> None:
        origins = headers.getlist("origin")
        foreign = [each for each in origins if each.lower() not in self._origins]
        if foreign or headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
            raise Refusal(403, "wrong-origin", "A page of another site may not change anything here.")

    def _check_body(self, headers: Headers, max_bytes: int) -> None:
        if headers.get("content-encoding", "identity").lower() != "identity":
            raise Refusal(415, "packed-body", "Send the body without a content encoding.")
        length = headers.get("content-length", "0")
        # A length of many digits is longer than any limit; to read it as a number would be work.
        if not length.isdecimal() or len(length) > 18 or int(length) > max_bytes:
            raise too_large(max_bytes)

    def _bounds(self, scope: Scope) -> _Bounds:
        limits = self._limits
        if scope["path"] == UPLOAD_PATH:
            return _Bounds(limits.max_upload_bytes, limits.max_upload_s, limits.max_pause_s)
        return _Bounds(limits.max_body_bytes, limits.max_body_s, limits.max_pause_s)


def too_large(max_bytes: int) -> Refusal:
    """The refusal of a body over its limit."""
    return Refusal(413, "too-large", f"At most {max_bytes:,} bytes.")


class _Bounds(NamedTuple):
    """What a body may take: bytes, seconds in all, and seconds between two parts."""

    max_bytes: int
    max_s: float
    max_pause_s: float


class _Incoming:
    """A request's body, counted and timed while it comes in; `left` once the client has gone."""

    def __init__(self, receive: Receive, bounds: _Bounds) -> None:
        self.left = False
        self._receive = receive
        self._bounds = bounds
        self._until = time.monotonic() + bounds.max_s
        self._bytes = 0
        self._whole = False

    async def __call__(self) -> Message:
        message = await (self._receive() if self._whole else self._part())
        self.left = self.left or (message["type"] == "http.disconnect" and not self._whole)
        self._bytes += len(message.get("body", b""))
        if self._bytes > self._bounds.max_bytes:
            raise too_large(self._bounds.max_bytes)
        self._whole = self._whole or not message.get("more_body", False)
        return message

    async def _part(self) -> Message:
        left_s = max(self._until - time.monotonic(), 0.001)
        try:
            async with asyncio.timeout(min(left_s, self._bounds.max_pause_s)):
                return await self._receive()
        except TimeoutError as error:
            whole_s, pause_s = self._bounds.max_s, self._bounds.max_pause_s
            detail = f"Within {whole_s:g} s the body has to arrive, and within {pause_s:g} s its next part."
            raise Refusal(408, "body-too-slow", detail, headers={"connection": "close"}) from error


class _Outgoing:
    """An answer on its way, with the headers that go out with every one."""

    def __init__(self, send: Send) -> None:
        self._send = send
        self.status = 0

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.status = message["status"]
            headers = MutableHeaders(raw=message["headers"])
            _set_default(headers, HEADERS.items())
        await self._send(message)

    async def answer(self, app: ASGIApp, scope: Scope, receive: Receive) -> None:
        """Send an answer, unless one has begun: then the connection breaks off, which the client sees."""
        if self.status:
            raise RuntimeError("an answer broke off")
        await app(scope, receive, self)


def _set_default(headers: MutableHeaders, wanted: Iterable[tuple[str, str]]) -> None:
    for name, value in wanted:
        headers.setdefault(name, value)
