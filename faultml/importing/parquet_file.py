"""Parquet tables of any columns, one row a sample or one row a swing."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from faultml.errors import InputError
from faultml.importing.layout import FileLayout
from faultml.importing.readers import Block
from faultml.recordings.files import unpack_limit_bytes
from faultml.recordings.problems import shorten

BLOCK_VALUES: Final = 500_000
MAX_BLOCK_ROWS: Final = 65_536
_BUFFER_BYTES: Final = 1 << 20


class ParquetReader:
    """Reader ``parquet``."""

    def read(self, path: Path, layout: FileLayout) -> Iterator[Block]:
        """The table of a file, see `faultml.importing.readers.Reader.read`.

        Raises
        ------
        InputError
            ``damaged-file``, ``unpacks-too-far``, ``no-rows``.
        """
        try:
            with _open(path) as file:
                row = 1
                for batch in file.iter_batches(batch_size=_batch_rows(file.metadata)):
                    yield Block(pa.Table.from_batches([batch]), np.arange(row, row + len(batch)))
                    row += len(batch)
        except (pa.ArrowException, OSError, ValueError, OverflowError, MemoryError) as error:
            raise InputError("damaged-file", expected="a whole Parquet file", found=shorten(error)) from error
        if row == 1:
            raise InputError("no-rows", expected="rows", found="columns without rows")


def _open(path: Path) -> pq.ParquetFile:
    metadata = pq.read_metadata(path)
    limit, groups = unpack_limit_bytes(path.stat().st_size), range(metadata.num_row_groups)
    unpacked = sum(
        metadata.row_group(group).total_byte_size
        + 8 * sum(metadata.row_group(group).column(at).num_values for at in range(metadata.num_columns))
        for group in groups
    )
    if unpacked > limit:
        raise InputError(
            "unpacks-too-far", expected=f"at most {limit:,} bytes unpacked", found=f"{unpacked:,}"
        )
    # Words stay dictionaries while they are read: a long word repeated in every row is then held once.
    text = [field.name for field in pq.read_schema(path) if pa.types.is_string(field.type)]
    return pq.ParquetFile(path, read_dictionary=text, buffer_size=_BUFFER_BYTES, pre_buffer=False)


def _batch_rows(metadata: pq.FileMetaData) -> int:
    """Rows that hold about `BLOCK_VALUES` values of the longest column."""
    longest = 1.0
    for group in map(metadata.row_group, range(metadata.num_row_groups)):
        values = max((group.column(at).num_values for at in range(metadata.num_columns)), default=0)
        longest = max(longest, values / max(group.num_rows, 1))
    return int(np.clip(BLOCK_VALUES / longest, 1, MAX_BLOCK_ROWS))
