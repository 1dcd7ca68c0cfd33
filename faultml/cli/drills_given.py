"""What commands read of the drills that were given."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

    from faultml.plan.evidence import StoreNotes


def given_drills(store: Path | None) -> pd.DataFrame:
    """Every drill that was given, from the store at its usual place or another; it must be there."""
    from faultml.outcomes.assignments import assignments
    from faultml.store import open_store, store_path

    with open_store(store_path(store), create=False) as opened:
        return assignments(opened)


def coach_notes(store: Path) -> StoreNotes:
    """Everything in a store that plans rest on; it must be there."""
    from faultml.plan.store_notes import read_notes
    from faultml.store import open_store

    with open_store(store, create=False) as opened:
        return read_notes(opened)
