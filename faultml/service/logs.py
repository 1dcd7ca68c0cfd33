"""The server's log: a line of JSON for each event, in files of bounded size, without names, numbers or messages.

What is written is chosen field by field. Messages of errors and of other libraries may repeat what was sent, so only
the kind of an error and the places it passed are written.
"""

from __future__ import annotations

import logging
import sys
import traceback
from datetime import UTC, datetime
from logging.handlers import RotatingFileHandler
from pathlib import Path
from types import TracebackType
from typing import Final

import msgspec

from faultml.errors import InputError

log = logging.getLogger("faultml.service")

MAX_FILE_BYTES: Final = 10_000_000
KEPT_FILES: Final = 4
"""Full files that are kept beside the one that is written."""
MAX_PLACES: Final = 20

_OTHERS: Final = "library"
_EVENT: Final = "faultml_event"


class Event(msgspec.Struct, frozen=True, omit_defaults=True):
    """A line of the log.

    Attributes
    ----------
    event
        What happened: ``request``, ``error``, ``season``, ``start``, ``stop``, or ``library`` of another library.
    method, route, status, spent_ms, token
        Of a request. The route is its pattern, for paths hold names of players; 499 is a client that left; `token` is
        the token's name.
    state, swings, attempt
        Of a season.
    error, places
        Kind of an error, and where it passed: file, line and function.
    logger
        Who wrote it, where it is another library.
    """

    event: str
    method: str = ""
    route: str = ""
    status: int = 0
    spent_ms: float = 0.0
    token: str = ""
    state: str = ""
    swings: int = 0
    attempt: int = 0
    error: str = ""
    places: tuple[str, ...] = ()
    logger: str = ""


class _Line(msgspec.Struct, frozen=True):
    at: str
    level: str


def write(event: Event, level: int = logging.INFO) -> None:
    """Log an event."""
    log.log(level, event.event, extra={_EVENT: event})


def failure(error: BaseException) -> Event:
    """The event of an error of our own."""
    return Event("error", error=type(error).__name__, places=places(error.__traceback__))


def places(trace: TracebackType | None) -> tuple[str, ...]:
    """Where an error passed, the innermost last."""
    frames = traceback.extract_tb(trace)[-MAX_PLACES:]
    return tuple(f"{_module(frame.filename)}:{frame.lineno} {frame.name}" for frame in frames)


def start_log(file: Path | None) -> None:
    """Write the log of this process from here on.

    Parameters
    ----------
    file
        Where to; at `MAX_FILE_BYTES` a new one is begun and the oldest removed. None: warnings and errors only, to
        standard error.

    Raises
    ------
    InputError
        ``not-writable``.
    """
    handler: logging.Handler
    try:
        if file is None:
            handler = logging.StreamHandler(sys.stderr)
        else:
            handler = RotatingFileHandler(
                file, maxBytes=MAX_FILE_BYTES, backupCount=KEPT_FILES, encoding="utf-8"
            )
    except OSError as error:
        raise InputError("not-writable", where=str(file), found=error.strerror or str(error)) from error
    handler.setFormatter(JsonLines())
    handler.setLevel(logging.WARNING if file is None else logging.INFO)
    root = logging.getLogger()
    root.handlers = [handler]
    root.setLevel(logging.WARNING)
    log.setLevel(logging.INFO)


class JsonLines(logging.Formatter):
    """A record as a line of JSON; of other libraries only who, how grave and where."""

    def format(self, record: logging.LogRecord) -> str:
        """The line."""
        event = getattr(record, _EVENT, None)
        if event is None:
            kind, _, trace = record.exc_info or (None, None, None)
            event = Event(
                _OTHERS,
                logger=record.name,
                error=kind.__name__ if kind else "",
                places=places(trace) or (f"{_module(record.pathname)}:{record.lineno} {record.funcName}",),
            )
        at = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")
        head = msgspec.to_builtins(_Line(at, record.levelname.lower()))
        return msgspec.json.encode(head | msgspec.to_builtins(event)).decode()


def _module(file: str) -> str:
    """The last two parts of a path: enough to find it, and nothing of this machine."""
    return "/".join(Path(file).parts[-2:])
