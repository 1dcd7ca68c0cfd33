"""Where one swing ends and the next begins in a file, by what its layout says."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from faultml.errors import InputError
from faultml.importing.join import blocks_of
from faultml.importing.layout import Swings
from faultml.importing.rows import KEYS, RowReader, Rows
from faultml.recordings.problems import shorten


class Piece(NamedTuple):
    """Rows `start` to `stop` (not included) of a block, all of one run; `first` where the run begins with them."""

    first: bool
    rows: Rows
    start: int
    stop: int

    @property
    def key(self) -> tuple[str, ...]:
        """The words of `faultml.importing.rows.KEYS`."""
        return tuple(self.rows.words[name].at(self.start) for name in KEYS)


def read_pieces(reader: RowReader) -> Iterator[Piece]:
    """A file's rows in pieces; a run is one swing, or with split ``stream`` one recording.

    Raises
    ------
    InputError
        What `faultml.importing.join.blocks_of` and `RowReader.read` raise; ``ids-change`` where a file that is
        one swing names several.
    """
    splitter = _Splitter(reader.layout.swings)
    for block in blocks_of(reader.content or reader.path, reader.layout):
        try:
            rows = reader.read(block)
        except pa.ArrowException as error:  # a type of column that nothing above provides for
            raise InputError("wrong-type", expected="text or numbers", found=shorten(error)) from error
        starts = splitter.starts(rows)
        edges = [*starts, len(rows.t_s)]
        if not len(starts) or starts[0]:
            edges = [0, *edges]
        begins = set(starts.tolist())
        for start, stop in pairwise(edges):
            yield Piece(start in begins, rows, start, stop)


@dataclass
class _Splitter:
    """Finds the rows that begin a run, from block to block."""

    swings: Swings
    _last: tuple[str, ...] | None = None
    _last_t_s: float = np.nan

    def starts(self, rows: Rows) -> NDArray[np.int64]:
        """Rows of a block that begin a run."""
        n_rows = len(rows.t_s)
        changes = np.zeros(n_rows, dtype=bool)
        for name in KEYS:
            codes = rows.words[name].codes
            changes[1:] |= codes[1:] != codes[:-1]
        # Two codes may stand for one word, which is rare: only where codes change are words compared.
        for row in np.flatnonzero(changes):
            changes[row] = _key(rows, int(row)) != _key(rows, int(row) - 1)
        begun = self._last is not None
        changes[0] = _key(rows, 0) != self._last
        further = np.flatnonzero(changes) if begun else np.flatnonzero(changes[1:]) + 1
        if self.swings.split == "file" and len(further):
            raise InputError(
                "ids-change",
                where=str(rows.lines[further[0]]),
                expected="one swing in a file, as the layout says",
                found=shorten(", ".join(_key(rows, int(further[0])))),
            )
        changes |= rows.starts
        if self.swings.split in ("clock", "stream"):
            changes |= self._clock_breaks(rows.t_s)
        self._last = _key(rows, n_rows - 1)
        return np.flatnonzero(changes)

    def _clock_breaks(self, t_s: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Rows where time falls back, or jumps by more than the layout's gap; rows without a time are passed over."""
        breaks = np.zeros(len(t_s), dtype=bool)
        timed = np.flatnonzero(np.isfinite(t_s))
        if len(timed):
            steps = np.diff(t_s[timed], prepend=self._last_t_s)
            gap_s = self.swings.gap_s if isinstance(self.swings.gap_s, float | int) else np.inf
            with np.errstate(invalid="ignore"):
                breaks[timed] = (steps < 0) | (steps > gap_s)
            self._last_t_s = float(t_s[timed[-1]])
        return breaks


def _key(rows: Rows, row: int) -> tuple[str, ...]:
    return tuple(rows.words[name].at(row) for name in KEYS)
