"""Tables with one row a swing and a column for each sample, ``f_0 ... f_400``, gathered into lists."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from faultml.errors import InputError
from faultml.importing.readers import Block
from faultml.recordings.problems import shorten

MANY: Final = "*"
"""Stands for the number in a column's name."""
MIN_FAMILY: Final = 20
"""Fewer numbered columns of one name are no samples of a swing."""

_NUMBERED = re.compile(r"(.*?)(\d+)(\D*)$", re.DOTALL)


def families(names: Iterable[str]) -> list[str]:
    """Names with `MANY` for a number, such as ``f_*``, of `MIN_FAMILY` columns or more, in the order of the table."""
    counts: dict[str, int] = {}
    for name in names:
        match = _NUMBERED.fullmatch(name)
        if match and not name.startswith("#"):
            family = f"{match.group(1)}{MANY}{match.group(3)}"
            counts[family] = counts.get(family, 0) + 1
    return [family for family, count in counts.items() if count >= MIN_FAMILY]


def gather_wide(block: Block, columns: Sequence[str]) -> Block:
    """The block with a column of lists for each name with `MANY` among `columns`, in the order of its numbers.

    A row ends with its last sample that any of these columns has.

    Raises
    ------
    InputError
        ``missing-column`` where no column has such a name, ``length-mismatch`` where one has more than another.
    """
    wanted = [name for name in dict.fromkeys(columns) if MANY in name]
    names = block.table.column_names
    places = {family: _places(family, names) for family in wanted}
    for family, own in places.items():
        if not own:
            raise InputError(
                "missing-column", expected=shorten(repr(family)), found=shorten(", ".join(names))
            )
    widths = {len(own) for own in places.values()}
    if len(widths) > 1:
        found = ", ".join(f"{len(own)} of {family}" for family, own in places.items())
        raise InputError("length-mismatch", expected="as many columns of each", found=shorten(found))
    n_rows = len(block.table)
    parts = {family: [_whole(block.table.column(at)) for at in own] for family, own in places.items()}
    lengths = np.zeros(n_rows, dtype=np.int64)
    for samples in parts.values():
        for number, column in enumerate(samples, 1):
            lengths[_filled(column)] = np.maximum(lengths[_filled(column)], number)
    row = np.repeat(np.arange(n_rows), lengths)
    within = np.arange(len(row)) - np.repeat(np.cumsum(lengths) - lengths, lengths)
    offsets = pa.array(np.concatenate([[0], np.cumsum(lengths)]), pa.int32())
    table = block.table.select(
        [at for at in range(len(names)) if not any(at in own for own in places.values())]
    )
    for family, samples in parts.items():
        if len({column.type for column in samples}) > 1:
            samples = [column.cast(pa.string()) for column in samples]
        flat = pa.concat_arrays(samples).take(pa.array(within * n_rows + row))
        table = table.append_column(family, pa.ListArray.from_arrays(offsets, flat))
    return Block(table, block.lines, block.broken, block.angle_unit, block.above)


def _places(family: str, names: Sequence[str]) -> list[int]:
    """Columns of a family by the number in their names."""
    before, _, after = family.partition(MANY)
    numbers: dict[int, int] = {}
    for at, name in enumerate(names):
        middle = name[len(before) : len(name) - len(after)]
        if name.startswith(before) and name.endswith(after) and middle.isdecimal() and len(middle) < 10:
            numbers[int(middle)] = at
    return [numbers[number] for number in sorted(numbers)]


def _whole(column: pa.ChunkedArray) -> pa.Array:
    whole = pa.concat_arrays(column.chunks) if column.num_chunks else pa.nulls(0)
    return whole.cast(whole.type.value_type) if pa.types.is_dictionary(whole.type) else whole


def _filled(column: pa.Array) -> np.ndarray:
    """Rows with a value; an empty cell of text has none."""
    filled = pc.is_valid(column)
    if pa.types.is_string(column.type):
        filled = pc.and_(filled, pc.fill_null(pc.not_equal(pc.utf8_trim_whitespace(column), ""), False))
    elif pa.types.is_floating(column.type):
        filled = pc.and_(filled, pc.fill_null(pc.invert(pc.is_nan(column)), False))
    return filled.to_numpy(zero_copy_only=False)
