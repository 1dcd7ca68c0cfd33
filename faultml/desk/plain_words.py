"""What the engine says, in words for a page: no codes, no paths, no commands."""

from __future__ import annotations

import re
from datetime import datetime
from typing import Final

from faultml.errors import FaultmlError
from faultml.report.text import shown

_COMMANDS: Final = tuple(
    re.compile(pattern)
    for pattern in (
        r"\s*\((?:or )?(?:faultml |--)[^)]*\)",
        r"[;:,]?\s*(?:or |see |with )?faultml [a-z-]+(?: [a-z-]+)*(?: says [a-z ]+)?",
        r":\s*--[^;.]*",
    )
)


def error_words(error: Exception) -> str:
    """What went wrong without codes, paths and commands: what was expected and what was found."""
    if not isinstance(error, FaultmlError):
        return shown(error)
    said = [f"expected {without_commands(error.expected)}"] if error.expected else []
    said += [f"found {without_commands(shown(error.found))}"] if error.found else []
    return ", ".join(said) or error.code.replace("-", " ")


def without_commands(text: str) -> str:
    """A sentence of the engine without what it says to whoever types commands, such as ``: --by NAME``."""
    for pattern in _COMMANDS:
        text = pattern.sub("", text)
    return text


def moment(stamp: str) -> str:
    """A stamp such as ``2031-05-02T10:20:30Z`` as it is read: the day, and hours and minutes."""
    try:
        read = datetime.fromisoformat(stamp)
    except ValueError:
        return shown(stamp)
    return f"{read:%Y-%m-%d, %H:%M}" + (" UTC" if read.tzinfo is not None else "")
