"""What the coach's store holds of corrections to a season, and who is left out of it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from faultml.recordings.corrections import NOTHING_CORRECTED, Corrections
from faultml.recordings.read import Season, open_season
from faultml.store.place import store_if_there

if TYPE_CHECKING:
    from faultml.store.people import ForgottenPlayers


def read_corrections(store: str | Path | None) -> Corrections:
    """The corrections in a store, by default the one at its usual place where there is one."""
    path = store_if_there(store)
    if path is None:
        return NOTHING_CORRECTED
    # The store's library is needed only where there is a store.
    from faultml.labels.landmarks import moved_landmarks
    from faultml.labels.timing import golfer_timings
    from faultml.store import open_store
    from faultml.store.names import same_names

    with open_store(path, create=False) as opened:
        timings = golfer_timings(opened)
        return Corrections(tuple(moved_landmarks(opened)), same_names(opened), timings)


def read_forgotten(store: str | Path | None) -> ForgottenPlayers | None:
    """Who has asked a store to be forgotten, by default the one at its usual place; None where there is none."""
    path = store_if_there(store)
    if path is None:
        return None
    from faultml.store import open_store
    from faultml.store.people import forgotten_players

    with open_store(path, create=False) as opened:
        return forgotten_players(opened)


def open_corrected(
    paths: Sequence[Path], store: str | Path | None, corrections: Corrections | None = None
) -> Season:
    """A season as a store has it: under the names of its players, without those who have asked to be forgotten.

    Parameters
    ----------
    paths
        As of `faultml.recordings.read.open_season`.
    store
        By default the one at its usual place, where there is one.
    corrections
        Where they were read already.
    """
    names = (read_corrections(store) if corrections is None else corrections).names
    return open_season(paths, names=names, left_out=read_forgotten(store))
