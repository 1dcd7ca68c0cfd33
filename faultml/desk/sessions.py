"""A session for each browser: what it may be called by, and opaque names for what stands in its addresses."""

from __future__ import annotations

import hashlib
import hmac
import secrets
import time
from collections import OrderedDict
from typing import Final

COOKIE: Final = "faultml_desk"
MAX_SESSIONS: Final = 200
MAX_AGE_S: Final = 14 * 86_400.0

Named = tuple[str, ...]
"""A player, or a player, session and swing."""


def cookie_name(host: str) -> str:
    """The cookie of a desk at a ``host:port``: browsers share a host's cookies among all its ports."""
    port = host.rpartition(":")[2]
    return f"{COOKIE}_{port}" if port.isdecimal() else COOKIE


class Session:
    """One browser's session. No address holds the name of a player: it holds a key that means something here only."""

    def __init__(self) -> None:
        self.id = secrets.token_urlsafe(32)
        self.begun = time.monotonic()
        self._secret = secrets.token_bytes(32)
        self._named: dict[str, Named] = {}

    def key(self, *named: str) -> str:
        """The opaque key of a player or a swing; the same again within the session."""
        digest = hmac.new(self._secret, "\0".join(named).encode("utf-8", "surrogatepass"), hashlib.sha256)
        key = digest.hexdigest()[:24]
        self._named[key] = named
        return key

    def named(self, key: str) -> Named | None:
        """What a key stands for; None where this session has not given it out."""
        return self._named.get(key)


class Sessions:
    """The sessions of all browsers, the oldest forgotten first.

    Attributes
    ----------
    unguarded
        For pages that are opened without the guard, which only tests do; no cookie names it.
    """

    def __init__(self) -> None:
        self._sessions: OrderedDict[str, Session] = OrderedDict()
        self.unguarded = Session()

    def begin(self) -> Session:
        """A new session."""
        session = Session()
        self._sessions[session.id] = session
        while len(self._sessions) > MAX_SESSIONS:
            self._sessions.popitem(last=False)
        return session

    def find(self, cookies: str, host: str) -> Session | None:
        """The session that a Cookie header names for a desk at `host`; None where it names none, or one too old."""
        wanted = cookie_name(host)
        for part in cookies.split(";"):
            name, _, value = part.strip().partition("=")
            session = self._sessions.get(value) if name == wanted else None
            if session is not None and time.monotonic() - session.begun < MAX_AGE_S:
                return session
        return None
