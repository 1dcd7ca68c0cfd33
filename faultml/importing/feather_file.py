"""Feather files (Arrow's own file format), one row a sample or one row a swing."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyarrow as pa

from faultml.errors import InputError
from faultml.importing.layout import FileLayout
from faultml.importing.readers import Block
from faultml.recordings.files import unpack_limit_bytes
from faultml.recordings.problems import shorten


class FeatherReader:
    """Reader ``feather``."""

    def read(self, path: Path, layout: FileLayout) -> Iterator[Block]:
        """The table of a file, see `faultml.importing.readers.Reader.read`.

        Raises
        ------
        InputError
            ``damaged-file``, ``unpacks-too-far``, ``no-rows``.
        """
        limit, unpacked, row = unpack_limit_bytes(path.stat().st_size), 0, 1
        try:
            with path.open("rb") as stream:
                file = pa.ipc.open_file(stream)
                for number in range(file.num_record_batches):
                    batch = file.get_batch(number)
                    unpacked += batch.nbytes
                    if unpacked > limit:
                        raise InputError(
                            "unpacks-too-far", expected=f"at most {limit:,} bytes unpacked", found="more"
                        )
                    yield Block(pa.Table.from_batches([batch]), np.arange(row, row + len(batch)))
                    row += len(batch)
        except (pa.ArrowException, OSError, ValueError, OverflowError, MemoryError) as error:
            raise InputError("damaged-file", expected="a whole Feather file", found=shorten(error)) from error
        if row == 1:
            raise InputError("no-rows", expected="rows", found="columns without rows")
