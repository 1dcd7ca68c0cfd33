"""The coach's own store: one SQLite file, one writer at a time."""

from __future__ import annotations

from faultml.store.base import METADATA, Store, open_store
from faultml.store.place import store_if_there, store_path

__all__ = ["METADATA", "Store", "open_store", "store_if_there", "store_path"]
