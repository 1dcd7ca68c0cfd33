"""Readers of recorders' files: what a reader is, and how one is found by its name.

A reader turns a file into blocks of columns and judges nothing. Readers are entry points of the group
``faultml.readers``, so that a package of its own can add one; see "How to add" in DEVELOPERS.md.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from typing import Final, Literal, Protocol

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from faultml.errors import FaultmlError, InputError
from faultml.importing.layout import FileLayout
from faultml.recordings.problems import shorten

GROUP: Final = "faultml.readers"

OURS: Final = {
    "text": "faultml.importing.text:TextReader",
    "spreadsheet": "faultml.importing.spreadsheet:SpreadsheetReader",
    "parquet": "faultml.importing.parquet_file:ParquetReader",
    "motion": "faultml.importing.motion_file:MotionReader",
    "jsonl": "faultml.importing.json_file:JsonReader",
    "feather": "faultml.importing.feather_file:FeatherReader",
    "hdf5": "faultml.importing.hdf5_file:Hdf5Reader",
    "c3d": "faultml.importing.c3d_file:C3dReader",
}
"""Readers that come along. They are entry points too, but are found here first: no other package can take their place,
and a checkout whose metadata are old still has them."""

MEMORY_BASE_BYTES: Final = 200_000_000
MEMORY_RATIO: Final = 20
"""A reader takes at most `MEMORY_BASE_BYTES` plus so many times the file's size in memory. Text and Parquet stay near
the first, whatever their size; a spreadsheet's shared words are kept whole."""


@dataclass(frozen=True)
class Block:
    """Some rows of a file, in order.

    Attributes
    ----------
    table
        The file's columns under their own names, which may repeat: text, numbers, stamps or, with the shape
        ``lists``, lists of them. All blocks of a file have the same names.
    lines
        ``(n_rows,)`` where each row stands: line of a text file (from 1), row of a sheet or table (from 1).
    broken
        ``(n_rows,)`` rows whose fields could not be separated; their cells are null.
    angle_unit
        What the file itself says of its angles, where it says so.
    above
        Lines above the table, or what else a file says of itself, as ``key: value``.
    """

    table: pa.Table
    lines: NDArray[np.int64]
    broken: NDArray[np.bool_] | None = None
    angle_unit: Literal["", "deg", "rad"] = field(default="")
    above: tuple[str, ...] = ()


class Reader(Protocol):
    """What stands behind an entry point of ``faultml.readers``: a class without arguments, or a module."""

    def read(self, path: Path, layout: FileLayout) -> Iterator[Block]:
        """The file in blocks of bounded size.

        Raises
        ------
        InputError
            Where the file is not what the layout says. Blocks yielded before stay read.
        """
        ...


def reader_names() -> list[str]:
    """The names of all readers that are installed."""
    return sorted({*OURS, *entry_points(group=GROUP).names})


def read_blocks(path: Path, layout: FileLayout) -> Iterator[Block]:
    """The blocks of a file by the reader that the layout names; whatever goes wrong in it becomes a typed error.

    Raises
    ------
    InputError
        ``no-such-reader``, ``reader-failed`` where it does not load, gives something else than blocks or raises, or
        what the reader itself says.
    """
    reader = _load(layout.reader)
    names: list[str] | None = None
    blocks = _guarded(reader, path, layout)
    for block in blocks:
        if not isinstance(block, Block) or len(block.lines) != len(block.table):
            raise _failed(layout.reader, "Block objects with a line for each row", type(block).__name__)
        if names is not None and block.table.column_names != names:
            raise _failed(layout.reader, "the same columns in every block", "others")
        names = block.table.column_names
        if len(block.table):
            yield block


def _guarded(reader: Reader, path: Path, layout: FileLayout) -> Iterator[Block]:
    try:
        yield from reader.read(path, layout)
    except FaultmlError:
        raise
    except OSError as error:
        raise InputError("damaged-file", expected="a whole file", found=shorten(error)) from error
    except Exception as error:
        # Libraries and readers of other packages raise anything; one bad file must not stop a season.
        raise _failed(
            layout.reader, "a file it can read", f"{type(error).__name__}: {shorten(error)}"
        ) from error


@lru_cache(maxsize=64)
def _load(name: str) -> Reader:
    found: EntryPoint | None
    if name in OURS:
        found = EntryPoint(name, OURS[name], GROUP)
    else:
        found = next(iter(entry_points(group=GROUP, name=name)), None)
    if found is None:
        raise InputError(
            "no-such-reader", expected="one of " + ", ".join(reader_names()), found=shorten(repr(name))
        )
    try:
        loaded = found.load()
        return loaded() if isinstance(loaded, type) else loaded
    except FaultmlError:
        raise
    except Exception as error:
        raise _failed(name, "a reader that loads", f"{type(error).__name__}: {shorten(error)}") from error


def _failed(name: str, expected: str, found: str) -> InputError:
    return InputError("reader-failed", expected=f"{expected} from reader {name!r}", found=found)
