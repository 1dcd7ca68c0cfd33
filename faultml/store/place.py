"""Where the store lies: as given, else as the environment says, else in the folder one works in."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

ENVIRONMENT: Final = "FAULTML_STORE"
DEFAULT: Final = "faultml-store.sqlite"
"""In the current folder: the same on every system, seen by whoever looks, and never in a home in silence."""


def store_if_there(given: str | Path | None = None) -> Path | None:
    """The store's file where there is one; one that was asked for and is missing is for `open_store` to refuse."""
    path = store_path(given)
    return path if given is not None or path.exists() else None


def store_path(given: str | Path | None = None) -> Path:
    """The store's file: `given`, else what `FAULTML_STORE` says, else `DEFAULT` in the current folder."""
    return Path(given or os.environ.get(ENVIRONMENT) or DEFAULT)
