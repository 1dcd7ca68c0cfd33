"""Sums of the faults with landmarks as found, beside those with the landmarks that coaches have moved."""

from __future__ import annotations

from typing import Final

import pandas as pd
import pyarrow as pa

from faultml.coaching.summary import COLUMNS as SUMMARY
from faultml.coaching.summary import decode_faults
from faultml.exact import Columns, add_tables
from faultml.results import Results

NAME: Final = "as_found"
_FAULTS: Final = SUMMARY["faults"]
COLUMNS: Final[Columns] = _FAULTS
"""What is to be added to the sums of ``faults`` for those with landmarks as found; integers, see `faultml.exact`."""


def difference(moved: pa.Table, found: pa.Table) -> pa.Table:
    """What the sums of some swings gain where their landmarks are as found.

    Parameters
    ----------
    moved, found
        Sums of ``faults`` of the same swings, with the landmarks that coaches have moved and with those found.
    """
    negative = [
        pa.array(-moved[name].to_numpy()) if name in _FAULTS.sums else moved[name]
        for name in moved.column_names
    ]
    return add_tables([pa.table(negative, schema=moved.schema), found], _FAULTS.keys)


def fault_sums_as_found(faults: pa.Table, differences: pa.Table) -> pd.DataFrame:
    """The sums of ``faults`` in numbers, as they would be with landmarks as found."""
    return decode_faults(add_tables([faults, differences], _FAULTS.keys))


def read_as_found(results: Results) -> pd.DataFrame | None:
    """The same of a results folder; None where no landmark was moved.

    Raises
    ------
    InputError
        Where a table is damaged.
    """
    if not results.has_sums(NAME):
        return None
    differences = results.sums(NAME)
    return fault_sums_as_found(results.sums("faults"), differences) if len(differences) else None
