"""Sums that are the same in any order: numbers as 64-bit integers of a fixed unit, in Arrow tables with text keys.

Floating-point sums depend on their order in the last digits, so a season cut into other partitions would differ. Here
every number is rounded once, to a unit of 2^-28, and integers are added; a sum that does not fit is an error.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from faultml.errors import InputError

UNITS: Final = 1 << 28
"""Units of one: numbers are rounded to 4e-9, and sums fit up to 3.4e10."""

MAX_PARTS: Final = 32
"""Tables kept apart before they are added."""

_LARGEST: Final = float(1 << 62)


class Columns(NamedTuple):
    """The columns of a table of sums: text keys, then numbers."""

    keys: Sequence[str]
    sums: Sequence[str]

    def empty(self) -> pa.Table:
        """The sums of nothing."""
        return _schema(self.keys, self.sums).empty_table()


def is_count(name: str) -> bool:
    """Whether a column counts: ``n`` or ``n_...``. Counts are whole; every other number is in `UNITS`."""
    return name == "n" or name.startswith("n_")


def to_units(name: str, values: NDArray) -> NDArray[np.int64]:
    """Numbers of a column as integers, to be added.

    Raises
    ------
    InputError
        ``sum-overflow`` where a number is too large, or none.
    """
    scaled = np.asarray(values, dtype=float) * (1 if is_count(name) else UNITS)
    if not (np.abs(scaled) < _LARGEST).all():
        raise _overflow(name)
    return np.rint(scaled).astype(np.int64)


def from_units(name: str, sums: NDArray[np.int64]) -> NDArray[np.float64]:
    """Sums of a column as numbers."""
    return sums.astype(float) if is_count(name) else sums / UNITS


def add_groups(name: str, group: NDArray[np.int64], values: NDArray, n_groups: int) -> NDArray[np.int64]:
    """Sum a column's numbers over each group, ``(n_groups,)``, in its unit.

    Raises
    ------
    InputError
        ``sum-overflow``.
    """
    units = to_units(name, values)
    _check_fits(name, units)
    sums = np.zeros(n_groups, dtype=np.int64)
    np.add.at(sums, group, units)
    return sums


def table_of(keys: Mapping[str, Sequence[str]], sums: Mapping[str, NDArray[np.int64]]) -> pa.Table:
    """A table of sums: text keys, then integers."""
    arrays = [pa.array(words, pa.string()) for words in keys.values()]
    arrays += [pa.array(each, pa.int64()) for each in sums.values()]
    return pa.table(arrays, schema=_schema(list(keys), list(sums)))


def add_tables(tables: Sequence[pa.Table], keys: Sequence[str]) -> pa.Table:
    """Add the rows of equal keys of several tables (one at least), in the order of the keys.

    Raises
    ------
    InputError
        ``sum-overflow``.
    """
    together = pa.concat_tables(tables).combine_chunks()
    sums = [name for name in together.column_names if name not in keys]
    for name in sums:
        _check_fits(name, together[name].to_numpy())
    added = together.group_by(list(keys)).aggregate([(name, "sum") for name in sums])
    named = added.select([*keys, *(f"{name}_sum" for name in sums)]).rename_columns([*keys, *sums])
    return named.sort_by([(key, "ascending") for key in keys])


class RunningTables:
    """Adds tables of sums as they come, and keeps few of them apart: little memory, and few additions.

    Parameters
    ----------
    columns
        Of each table, by its name.
    """

    def __init__(self, columns: Mapping[str, Columns]) -> None:
        self._columns = columns
        self._parts = {name: [each.empty()] for name, each in columns.items()}

    def add(self, tables: Mapping[str, pa.Table]) -> None:
        """Take in the tables of one batch: every name, with its columns."""
        for name, parts in self._parts.items():
            parts.append(tables[name])
            if len(parts) == MAX_PARTS:
                self._parts[name] = [add_tables(parts, self._columns[name].keys)]

    def total(self) -> dict[str, pa.Table]:
        """Everything added so far."""
        return {name: add_tables(parts, self._columns[name].keys) for name, parts in self._parts.items()}


def _schema(keys: Sequence[str], sums: Sequence[str]) -> pa.Schema:
    return pa.schema([*((key, pa.string()) for key in keys), *((name, pa.int64()) for name in sums)])


def _check_fits(name: str, units: NDArray[np.int64]) -> None:
    """Whatever the groups, no sum of these integers may leave 64 bits."""
    if len(units) and float(np.abs(units.astype(float)).sum()) >= _LARGEST:
        raise _overflow(name)


def _overflow(name: str) -> InputError:
    return InputError("sum-overflow", where=name, expected=f"sums below {_LARGEST / UNITS:.0e}", found="more")
