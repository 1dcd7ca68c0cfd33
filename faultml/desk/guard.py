"""What every request and every websocket passes first: who may ask, and from which page.

A website that a coach has open can reach this server through their browser. Against that stand the exact Host (a name
that was bound to this address anew is another name), the Origin on requests and websockets alike, a session cookie that
only pages of this site send, and headers that keep other pages from showing or reading this one.
"""

from __future__ import annotations

import hmac
import html
import secrets
from collections.abc import Callable
from typing import Final
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from faultml.desk.sessions import Session, Sessions, cookie_name

SESSION: Final = "faultml_session"
"""Where the session stands in a request's scope."""
ENTER_PATH: Final = "/enter"
UPLOAD_PATH: Final = "/_nicegui/client/"
MAX_UPLOAD_BYTES: Final = 1_000_000_000
MAX_BODY_BYTES: Final = 1_000_000

_POLICY_VIOLATION: Final = 1008
_HEADERS: Final = {
    "x-content-type-options": "nosniff",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "referrer-policy": "no-referrer",
    "permissions-policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}


def policy(nonce: str, host: str) -> str:
    """The content security policy of a page.

    The library builds its components from templates in the browser, for which it evaluates code (``unsafe-eval``), and
    sets styles on elements (``unsafe-inline`` for styles). Scripts in the page run only with the nonce, so that markup
    that got into a page would still not run.
    """
    return (
        f"default-src 'none'; script-src 'self' 'nonce-{nonce}' 'unsafe-eval'; style-src 'self' 'unsafe-inline'; "
        f"img-src 'self' data:; font-src 'self' data:; media-src blob:; connect-src 'self' ws://{host} wss://{host}; "
        "base-uri 'none'; form-action 'self'; frame-ancestors 'none'; object-src 'none'"
    )


class DeskGuard:
    """The outermost layer of the desk.

    Parameters
    ----------
    app
        What is guarded.
    hosts
        ``host:port`` that a Host may name, exactly, in small letters.
    token
        What a browser must give once to get a session; "" for none, on loopback only.
    sessions
        Where sessions are kept.
    session_of_page
        The session that a page of this id was made for, None where there is no such page.
    """

    def __init__(
        self,
        app: ASGIApp,
        hosts: tuple[str, ...],
        token: str,
        sessions: Sessions,
        session_of_page: Callable[[str], Session | None],
    ) -> None:
        self._app = app
        self._hosts = frozenset(hosts)
        self._origins = {f"{scheme}://{host}" for scheme in ("http", "https") for host in hosts}
        self._token = token.encode()
        self._sessions = sessions
        self._session_of_page = session_of_page

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request or a websocket through, or refuse it."""
        if scope["type"] == "websocket":
            await self._websocket(scope, receive, send)
        elif scope["type"] == "http":
            await self._request(scope, receive, send)
        else:
            await self._app(scope, receive, send)

    async def _websocket(self, scope: Scope, receive: Receive, send: Send) -> None:
        headers = Headers(scope=scope)
        session = self._sessions.find(headers.get("cookie", ""), headers.get("host", ""))
        (page,) = parse_qs(scope["query_string"].decode("latin-1")).get("client_id", [""])[:1]
        allowed = (
            self._host_fits(headers)
            and len(headers.getlist("origin")) == 1
            and headers["origin"].lower() in self._origins
            and session is not None
            and self._session_of_page(page) is session
        )
        if not allowed:
            await receive()
            await send({"type": "websocket.close", "code": _POLICY_VIOLATION})
            return
        scope[SESSION] = session
        await self._app(scope, receive, send)

    async def _request(self, scope: Scope, receive: Receive, send: Send) -> None:
        headers = Headers(scope=scope)
        session = self._sessions.find(headers.get("cookie", ""), headers.get("host", ""))
        refusal = self._refusal(scope, headers)
        if refusal is not None:
            await refusal(scope, receive, _Outgoing(send, None, ""))
        elif session is None and self._token:
            await self._enter(scope, receive, send)
        else:
            begun = self._sessions.begin() if session is None else None
            scope[SESSION] = session or begun
            await self._app(scope, receive, _Outgoing(send, begun, headers["host"]))

    def _refusal(self, scope: Scope, headers: Headers) -> Response | None:
        if not self._host_fits(headers):
            return PlainTextResponse("This server goes by another name.", 421)
        foreign = any(origin.lower() not in self._origins for origin in headers.getlist("origin"))
        site = headers.get("sec-fetch-site", "none")
        # A link from elsewhere may open the first page; it gets no session of somebody else's by that.
        opens = scope["method"] == "GET" and scope["path"] == "/"
        if foreign or (site not in ("none", "same-origin") and not opens):
            return PlainTextResponse("A page of another site may not ask here.", 403)
        length = headers.get("content-length", "0")
        bound = MAX_UPLOAD_BYTES if scope["path"].startswith(UPLOAD_PATH) else MAX_BODY_BYTES
        if not length.isdecimal() or len(length) > 18 or int(length) > bound:
            return PlainTextResponse(f"At most {bound:,} bytes.", 413)
        return None

    def _host_fits(self, headers: Headers) -> bool:
        named = headers.getlist("host")
        return len(named) == 1 and named[0].lower() in self._hosts

    async def _enter(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Ask for the token, which is sent in a form's body and never stands in an address."""
        host, begun = Headers(scope=scope)["host"], None
        answer: Response = HTMLResponse(_form(""), 401)
        if scope["method"] == "POST" and scope["path"] == ENTER_PATH:
            given = parse_qs((await _body(receive)).decode("latin-1")).get("token", [""])[0]
            # Compared in constant time.
            if hmac.compare_digest(given.strip().encode(), self._token):
                begun = self._sessions.begin()
                answer = RedirectResponse("/", 303)
            else:
                answer = HTMLResponse(_form("That is not the token."), 401)
        await answer(scope, receive, _Outgoing(send, begun, host))


class _Outgoing:
    """An answer on its way: headers, a new session's cookie, and a nonce on a page's own scripts."""

    def __init__(self, send: Send, begun: Session | None, host: str) -> None:
        self._send = send
        self._begun = begun
        self._host = host
        self._start: Message | None = None
        self._body = bytearray()

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(raw=message["headers"])
            for name, value in _HEADERS.items():
                headers[name] = value
            headers.setdefault("cache-control", "no-store")
            headers.setdefault("content-security-policy", _BARE_POLICY)
            if self._begun is not None:
                name = cookie_name(self._host)
                headers.append("set-cookie", f"{name}={self._begun.id}; Path=/; HttpOnly; SameSite=Strict")
            if headers.get("x-nicegui-content") == "page":
                self._start = message
                return
        elif message["type"] == "http.response.body" and self._start is not None:
            self._body += message.get("body", b"")
            if not message.get("more_body", False):
                await self._send_page(self._start, bytes(self._body))
            return
        await self._send(message)

    async def _send_page(self, start: Message, body: bytes) -> None:
        # What a page holds besides the library's own scripts has its "<" escaped by the library; a test holds that.
        nonce = secrets.token_urlsafe(18)
        body = body.replace(b"<script", f'<script nonce="{nonce}"'.encode())
        headers = MutableHeaders(raw=start["headers"])
        headers["content-security-policy"] = policy(nonce, self._host)
        headers["content-length"] = str(len(body))
        await self._send(start)
        await self._send({"type": "http.response.body", "body": body})


_BARE_POLICY: Final = (
    "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)  # fmt: skip


async def _body(receive: Receive) -> bytes:
    body = bytearray()
    while True:
        message = await receive()
        body += message.get("body", b"")
        if not message.get("more_body", False) or len(body) > MAX_BODY_BYTES:
            return bytes(body)


def _form(said: str) -> str:
    return (
        '<!doctype html><html lang="en"><meta charset="utf-8"><title>faultml desk</title>'
        "<style>body{font:1.1rem/1.5 serif;max-width:26rem;margin:4rem auto;padding:0 1rem}"
        "input,button{font:inherit}</style>"
        f'<main><h1>The desk</h1><p>{html.escape(said)}</p><form method="post" action="{ENTER_PATH}">'
        '<p><label>The token that <code>faultml desk</code> was started with<br><input name="token" type="password" '
        'autocomplete="off" required autofocus></label></p><p><button>Enter</button></p></form></main></html>'
    )
