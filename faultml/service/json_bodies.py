"""JSON bodies, bounded in what they hold before anything is made of it.

A body within its limit of bytes may hold millions of fields, of which each that is wrong becomes an error of its own.
"""

from __future__ import annotations

from typing import Any, Final

from pydantic_core import from_json

from faultml.service.problems import Refusal, invalid

MAX_PARTS: Final = 20_000
"""Objects, lists and their fields in a body; numbers and words in lists are not counted."""


def read_json(body: bytes) -> Any:
    """A body's JSON.

    Raises
    ------
    Refusal
        422: ``invalid`` where it is no JSON, ``too-many-fields``.
    """
    try:
        whole = from_json(body)
    except ValueError as error:
        raise invalid([{"type": "json_invalid", "loc": ("body",), "msg": str(error)}]) from error
    parts, waiting = 0, [whole]
    while waiting:
        part = waiting.pop()
        if isinstance(part, list):
            parts += 1
            waiting += [each for each in part if isinstance(each, list | dict)]
        elif isinstance(part, dict):
            parts += 1 + len(part)
            waiting += [each for each in part.values() if isinstance(each, list | dict)]
        if parts + len(waiting) > MAX_PARTS:
            raise Refusal(
                422, "too-many-fields", f"At most {MAX_PARTS:,} fields, objects and lists of a body."
            )
    return whole
