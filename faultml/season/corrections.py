"""What the coach's store holds of corrections to a season."""

from __future__ import annotations

from pathlib import Path

from faultml.recordings.corrections import NOTHING_CORRECTED, Corrections
from faultml.store.place import store_if_there


def read_corrections(store: str | Path | None) -> Corrections:
    """The corrections in a store, by default the one at its usual place where there is one."""
    path = store_if_there(store)
    if path is None:
        return NOTHING_CORRECTED
    # The store's library is needed only where there is a store.
    from faultml.labels.landmarks import moved_landmarks
    from faultml.store import open_store
    from faultml.store.names import same_names

    with open_store(path, create=False) as opened:
        return Corrections(tuple(moved_landmarks(opened)), same_names(opened))
