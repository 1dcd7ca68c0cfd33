"""Tables with one row a swing and samples in lists, spread out to one row a sample."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from faultml.errors import InputError
from faultml.importing.readers import Block
from faultml.recordings.columns import is_list


class Spread(NamedTuple):
    """A block with one row a sample, the first row of each swing, and the rows of swings with unequal lists."""

    block: Block
    starts: NDArray[np.bool_]
    unequal: NDArray[np.bool_]


def spread_lists(block: Block, samples: Sequence[str], delimiter: str) -> Spread:
    """Spread the lists of `samples` (columns as the layout names them); a row with unequal lists becomes one of nulls.

    A list that is empty or null where others are not is a channel that was not recorded: nulls.
    """
    names = block.table.column_names
    places = [name if name in names else names[int(name[1:]) - 1] for name in samples]
    lists = {name: _as_lists(block.table[name].combine_chunks(), delimiter) for name in dict.fromkeys(places)}
    counts = {name: _lengths(column) for name, column in lists.items()}
    longest = np.max([*counts.values(), np.zeros(len(block.lines), dtype=np.int64)], axis=0)
    unequal = np.zeros(len(longest), dtype=bool)
    for own in counts.values():
        unequal |= (own != longest) & (own > 0)
    lengths = np.where(unequal, 1, np.maximum(longest, 1))
    parents = np.repeat(np.arange(len(lengths)), lengths)
    within = np.arange(len(parents)) - np.repeat(np.cumsum(lengths) - lengths, lengths)

    columns = []
    for name in names:
        if name not in lists:
            columns.append(block.table[name].combine_chunks().take(pa.array(parents)))
            continue
        offsets = np.cumsum(counts[name]) - counts[name]
        there = (within < counts[name][parents]) & ~unequal[parents]
        index = pa.array(offsets[parents] + within, mask=~there)
        columns.append(lists[name].flatten().take(index))
    starts = within == 0
    table = pa.Table.from_arrays(columns, names=names)
    broken = None if block.broken is None else block.broken[parents]
    return Spread(
        Block(table, block.lines[parents], broken, block.angle_unit, block.above), starts, unequal[parents]
    )


def _as_lists(column: pa.Array | pa.ChunkedArray, delimiter: str) -> pa.Array:
    if isinstance(column, pa.ChunkedArray):
        column = pa.concat_arrays(column.chunks)
    if is_list(column.type):
        return column
    if column.type == pa.null():
        return pa.nulls(len(column), pa.list_(pa.float64()))
    if pa.types.is_dictionary(column.type):
        column = column.cast(column.type.value_type)
    if not pa.types.is_string(column.type):
        raise InputError("wrong-type", expected="lists of numbers", found=str(column.type))
    text = pc.utf8_trim(column, characters="[](){} \t")
    text = pc.if_else(pc.equal(text, ""), pa.scalar(None, pa.string()), text)
    return pc.utf8_split_whitespace(text) if delimiter == " " else pc.split_pattern(text, delimiter)


def _lengths(column: pa.Array) -> NDArray[np.int64]:
    return pc.fill_null(pc.list_value_length(column), 0).to_numpy(zero_copy_only=False).astype(np.int64)
