"""The coach's own store: one SQLite file, one writer at a time.

Where the store lies is asked without its library, so that a season is classified where SQLAlchemy is not installed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from faultml.store.place import store_if_there, store_path

if TYPE_CHECKING:
    from faultml.store.base import METADATA, Store, open_store

__all__ = ["METADATA", "Store", "open_store", "store_if_there", "store_path"]


def __getattr__(name: str) -> object:
    if name in ("METADATA", "Store", "open_store"):
        from faultml.store import base

        return getattr(base, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
