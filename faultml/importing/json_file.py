"""JSON lines: one object a sample, or one a swing with its samples in lists."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any, Final

import msgspec
import numpy as np
import pyarrow as pa

from faultml.errors import InputError
from faultml.importing.layout import FileLayout
from faultml.importing.readers import Block
from faultml.importing.text import read_lines
from faultml.recordings.problems import shorten

BLOCK_LINES: Final = 4096
MAX_DEPTH: Final = 3
"""Objects within objects are columns named ``outer.inner``, so deep."""
MAX_COLUMNS: Final = 5000


class JsonReader:
    """Reader ``jsonl``."""

    def read(self, path: Path, layout: FileLayout) -> Iterator[Block]:
        """The objects of a file as a table, see `faultml.importing.readers.Reader.read`.

        Raises
        ------
        InputError
            ``not-json-lines``, ``too-many-columns``, ``no-rows``, and what reading text raises.
        """
        decoder, names, any_rows = msgspec.json.Decoder(), list[str](), False
        objects = (
            (number, row)
            for number, text in read_lines(path, layout.encoding)
            for row in _rows(decoder, text, number)
        )
        while held := list(islice(objects, BLOCK_LINES)):
            rows = [row for _, row in held]
            if not any_rows:
                names = list(dict.fromkeys(name for row in rows for name in row))
                if len(names) > MAX_COLUMNS:
                    raise InputError(
                        "too-many-columns", expected=f"at most {MAX_COLUMNS:,}", found=f"{len(names):,}"
                    )
            any_rows = True
            columns = [_column([row.get(name) for row in rows]) for name in names]
            numbers = np.array([number for number, _ in held], dtype=np.int64)
            yield Block(pa.Table.from_arrays(columns, names=names), numbers)
        if not any_rows:
            raise InputError("no-rows", expected="an object a line", found="none")


def _rows(decoder: msgspec.json.Decoder, text: str, number: int) -> Iterator[dict[str, Any]]:
    """The objects of a line: one, or those of an array, which may be written over several lines."""
    text = text.strip()
    body = text if text.startswith("[") and text.endswith("]") else text.strip("[], \t")
    if not body:
        return
    try:
        value = decoder.decode(body)
    except (msgspec.DecodeError, RecursionError) as error:
        raise InputError(
            "not-json-lines", where=str(number), expected="an object a line", found=shorten(error)
        ) from error
    for row in value if isinstance(value, list) else [value]:
        if not isinstance(row, dict):
            raise InputError(
                "not-json-lines", where=str(number), expected="an object a line", found=type(row).__name__
            )
        yield dict(_flat(row, ""))


def _flat(value: dict[str, Any], above: str, depth: int = 1) -> Iterator[tuple[str, Any]]:
    for name, part in value.items():
        if isinstance(part, dict) and depth < MAX_DEPTH:
            yield from _flat(part, f"{above}{name}.", depth + 1)
        else:
            yield above + name, part


def _column(cells: list[Any]) -> pa.Array:
    """Numbers or lists of numbers where all cells are, else text."""
    for kind in (pa.float64(), pa.list_(pa.float64())):
        try:
            return pa.array(cells, kind)
        except (pa.ArrowException, TypeError, ValueError, OverflowError):
            continue
    return pa.array(
        [None if cell is None else cell if isinstance(cell, str) else str(cell) for cell in cells],
        pa.string(),
    )
