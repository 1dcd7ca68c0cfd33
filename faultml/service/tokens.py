"""Tokens: who may ask, by name, each kept as its hash and with limits of its own."""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Final

import msgspec

from faultml.errors import InputError
from faultml.results.folders import replaced_file

ANONYMOUS: Final = ""
"""Name of whoever asks a server that wants no token."""
ENVIRONMENT: Final = "environment"
"""Name of the one token that the environment holds."""

_NAME: Final = r"^[a-z0-9][a-z0-9_.-]{0,39}$"
_CHECK_S: Final = 1.0
_HEAD: Final = "# Tokens of faultml serve: `faultml token` writes this file. A token itself is not in it.\n"

Count = Annotated[int, msgspec.Meta(ge=1, le=1_000_000)]


class Token(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A token by its hash, and how much whoever has it may ask.

    A plain SHA-256 is enough, and quick: the tokens hold 256 random bits, which nobody finds by trying.

    Attributes
    ----------
    name
        What the log, the metrics and the ledger call it.
    sha256
        Of the token, in hexadecimal.
    added
        The day it was made.
    max_requests
        Requests that are being answered at once, of one server: 429.
    max_requests_a_minute
        Of all servers that share a spool: 429. As many may come at once after a quiet minute.
    max_seasons
        Seasons that are kept, of all servers that share a spool: 429.
    """

    name: Annotated[str, msgspec.Meta(pattern=_NAME)]
    sha256: Annotated[str, msgspec.Meta(pattern="^[0-9a-f]{64}$")]
    added: str = ""
    max_requests: Count = 64
    max_requests_a_minute: Count = 1200
    max_seasons: Count = 10


class TokenFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The file of tokens."""

    token: tuple[Token, ...] = ()


class Tokens:
    """Every token that is good now.

    Parameters
    ----------
    file
        Of `TokenFile` as TOML; read again when it changes. What cannot be read lets nobody in.
    plain
        One more token, named `ENVIRONMENT`; "" for none.

    Raises
    ------
    InputError
        ``bad-tokens`` where the file cannot be read, ``token-needed`` where it holds none.
    """

    def __init__(self, file: Path | None, plain: str) -> None:
        self._file = file
        self._fixed = (Token(name=ENVIRONMENT, sha256=digest(plain)),) if plain else ()
        self._stamp = _stamp(file)
        self._checked = time.monotonic()
        self._tokens = self._fixed + (read_tokens(file) if file else ())
        if file is not None and not self._tokens:
            raise InputError(
                "token-needed", where=str(file), expected="a token: faultml token add NAME", found="none"
            )

    @property
    def needed(self) -> bool:
        """Whether a request must bring one."""
        return self._file is not None or bool(self._fixed)

    def find(self, given: str) -> Token | None:
        """The token that a request has brought; None where it is none."""
        self._refresh()
        asked = digest(given)
        found = None
        for token in self._tokens:  # all of them, so that the time tells nothing
            if hmac.compare_digest(asked, token.sha256):
                found = token
        return found

    def _refresh(self) -> None:
        now = time.monotonic()
        if self._file is None or now - self._checked < _CHECK_S:
            return
        self._checked = now
        stamp = _stamp(self._file)
        if stamp != self._stamp:
            self._stamp = stamp
            try:
                self._tokens = self._fixed + read_tokens(self._file)
            except InputError:
                self._tokens = self._fixed


def digest(token: str) -> str:
    """A token's hash, as the file has it."""
    return hashlib.sha256(token.strip().encode()).hexdigest()


def read_tokens(file: Path) -> tuple[Token, ...]:
    """Tokens of a file; none where there is no file.

    Raises
    ------
    InputError
        ``bad-tokens``.
    """
    try:
        found = msgspec.toml.decode(file.read_bytes(), type=TokenFile).token
    except FileNotFoundError:
        return ()
    except (OSError, UnicodeDecodeError, msgspec.MsgspecError) as error:
        found_text = error.strerror or "" if isinstance(error, OSError) else str(error)
        raise InputError(
            "bad-tokens", where=str(file), expected="what faultml token writes", found=found_text
        ) from error
    names = [token.name for token in found]
    if len(set(names)) < len(names) or ENVIRONMENT in names:
        raise InputError(
            "bad-tokens", where=str(file), expected="each name once", found=", ".join(sorted(names))
        )
    return found


def add_token(file: Path, name: str, **limits: int) -> str:
    """Make a token, keep its hash, and return it: it is nowhere else.

    Raises
    ------
    InputError
        ``token-exists``, ``bad-name``, ``bad-tokens``, ``not-writable``.
    """
    known = read_tokens(file)
    if not re.match(_NAME, name) or name == ENVIRONMENT:
        raise InputError(
            "bad-name", where=name, expected="small letters, digits, - _ . (40 at most)", found=name
        )
    if any(token.name == name for token in known):
        raise InputError(
            "token-exists", where=str(file), expected="another name, or remove this one", found=name
        )
    token = secrets.token_urlsafe(32)
    day = datetime.now(UTC).date().isoformat()
    _write(file, (*known, Token(name=name, sha256=digest(token), added=day, **limits)))
    return token


def remove_token(file: Path, name: str) -> None:
    """Take a token out; running servers notice within a second.

    Raises
    ------
    InputError
        ``unknown-token``, ``bad-tokens``, ``not-writable``.
    """
    known = read_tokens(file)
    left = tuple(token for token in known if token.name != name)
    if len(left) == len(known):
        names = ", ".join(token.name for token in known) or "none"
        raise InputError("unknown-token", where=str(file), expected=names, found=name)
    _write(file, left)


def _write(file: Path, tokens: tuple[Token, ...]) -> None:
    parts = [_HEAD]
    for token in tokens:
        lines = [
            f"{key} = {msgspec.json.encode(value).decode()}"
            for key, value in msgspec.structs.asdict(token).items()
        ]
        parts.append("\n".join(["[[token]]", *lines, ""]))
    with replaced_file(file) as part:
        part.touch(mode=0o600)
        part.write_text("\n".join(parts), encoding="utf-8")


def _stamp(file: Path | None) -> tuple[int, int, int] | None:
    try:
        found = file.stat() if file else None
    except OSError:
        return None
    return (found.st_mtime_ns, found.st_size, found.st_ino) if found else None
