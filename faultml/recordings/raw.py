"""Swings as a reader hands them on: one table row a swing, samples end to end, nothing judged yet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from faultml.channels import CHANNELS, ID_COLUMNS
from faultml.recordings.columns import as_text
from faultml.recordings.schema import NUMBER_COLUMNS, SHOT_COLUMN, TEXT_COLUMNS

RAW_SCHEMA: Final = pa.schema(
    [
        *((name, pa.string()) for name in TEXT_COLUMNS),
        (SHOT_COLUMN, pa.list_(pa.string())),
        *((name, pa.float64()) for name in NUMBER_COLUMNS),
        ("file", pa.string()),
        ("row", pa.int64()),
        ("reason", pa.string()),
        ("noted", pa.list_(pa.string())),
    ]
)
"""`file` and `row` say where a swing stands; `reason` and `noted` hold codes the reader had to give."""


@dataclass(frozen=True)
class RawSwings:
    """A run of swings in the order of the file.

    Attributes
    ----------
    table
        `RAW_SCHEMA`, one row a swing.
    lengths
        ``(n_swings,)`` samples of each swing, 0 for one refused by its reader.
    t_s
        ``(sum(lengths),)`` float64, the swings' times end to end.
    angles_deg
        One float array of the same length for each channel of `faultml.channels.CHANNELS`, NaN where lost.
    sensed
        ``(n_axes, sum(lengths))`` what the recorder's sensor felt, from which a contact is placed; None where nothing
        is known of it. It is of one reading of a file and is not carried on.
    """

    table: pa.Table
    lengths: NDArray[np.int64]
    t_s: NDArray[np.float64]
    angles_deg: tuple[NDArray[np.floating], ...]
    sensed: NDArray[np.float64] | None = None

    def __len__(self) -> int:
        return len(self.lengths)

    def slice(self, start: int, stop: int) -> RawSwings:
        """Swings `start` to `stop` (not included), sharing memory."""
        ends = np.concatenate([[0], np.cumsum(self.lengths)])
        first, last = ends[start], ends[stop]
        angles = tuple(channel[first:last] for channel in self.angles_deg)
        return RawSwings(
            self.table.slice(start, stop - start), self.lengths[start:stop], self.t_s[first:last], angles
        )

    def take(self, kept: NDArray[np.bool_]) -> RawSwings:
        """Only the swings of a mask, ``(n_swings,)``."""
        samples = np.repeat(kept, self.lengths)
        angles = tuple(channel[samples] for channel in self.angles_deg)
        sensed = None if self.sensed is None else self.sensed[:, samples]
        return RawSwings(
            self.table.filter(pa.array(kept)), self.lengths[kept], self.t_s[samples], angles, sensed
        )

    @staticmethod
    def concat(pieces: Sequence[RawSwings]) -> RawSwings:
        """All swings of the pieces, in order."""
        if len(pieces) == 1:
            return pieces[0]
        return RawSwings(
            pa.concat_tables([piece.table for piece in pieces]),
            np.concatenate([piece.lengths for piece in pieces]),
            np.concatenate([piece.t_s for piece in pieces]),
            tuple(
                np.concatenate([piece.angles_deg[channel] for piece in pieces])
                for channel in range(len(CHANNELS))
            ),
        )


def raw_table(n_swings: int, **columns: object) -> pa.Table:
    """A `RAW_SCHEMA` table of the given columns; what is not given is null, or no code."""
    empty: dict[str, object] = {"reason": pa.array([""] * n_swings, pa.string())}
    arrays = []
    for field in RAW_SCHEMA:
        column = columns.get(field.name, empty.get(field.name))
        arrays.append(pa.nulls(n_swings, field.type) if column is None else _as_array(column, field.type))
    return pa.table(arrays, schema=RAW_SCHEMA)


def refused_swings(ids: pa.Table, file: str, rows: object, reason: str) -> RawSwings:
    """Swings of which nothing but their ids is known, each refused with a reason.

    Parameters
    ----------
    ids
        Has the columns `faultml.channels.ID_COLUMNS`.
    file
        Where they stand.
    rows
        Row of each swing, or of the first.
    """
    n_swings = len(ids)
    table = raw_table(
        n_swings,
        **{name: as_text(ids[name].combine_chunks()) for name in ID_COLUMNS},
        file=[file] * n_swings,
        row=np.arange(rows, rows + n_swings) if isinstance(rows, int) else rows,
        reason=[reason] * n_swings,
    )
    nothing = np.empty(0)
    return RawSwings(table, np.zeros(n_swings, dtype=np.int64), nothing, (nothing,) * len(CHANNELS))


def _as_array(column: object, kind: pa.DataType) -> pa.Array | pa.ChunkedArray:
    if isinstance(column, pa.Array | pa.ChunkedArray):
        return column if column.type == kind else column.cast(kind)
    return pa.array(column, kind)


@dataclass(frozen=True)
class Samples:
    """The samples of the swings that are still to be assessed, end to end.

    `rows` are the swings' rows in the batch; every swing has samples.
    """

    rows: NDArray[np.int64]
    lengths: NDArray[np.int64]
    t_s: NDArray[np.float64]
    angles_deg: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.rows)

    @property
    def starts(self) -> NDArray[np.int64]:
        """``(n_swings,)`` position of each swing's first sample."""
        return np.cumsum(self.lengths) - self.lengths

    @property
    def owner(self) -> NDArray[np.int64]:
        """``(n_samples,)`` which swing a sample belongs to."""
        return np.repeat(np.arange(len(self.rows)), self.lengths)

    def select(self, swings: NDArray[np.bool_]) -> Samples:
        """Only the swings of a mask."""
        if swings.all():
            return self
        samples = np.repeat(swings, self.lengths)
        return Samples(
            self.rows[swings], self.lengths[swings], self.t_s[samples], self.angles_deg[:, samples]
        )

    def compress(self, samples: NDArray[np.bool_]) -> Samples:
        """Only the samples of a mask, of which every swing has at least one."""
        lengths = np.add.reduceat(samples, self.starts, dtype=np.int64)
        return Samples(self.rows, lengths, self.t_s[samples], self.angles_deg[:, samples])

    def pad(self, n_rows: int) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]:
        """Padded times ``(n_rows, width)``, angles ``(n_rows, n_channels, width)`` and lengths ``(n_rows,)``.

        Rows without samples and places after a swing's end are NaN.
        """
        n_samples = np.zeros(n_rows, dtype=np.int64)
        n_samples[self.rows] = self.lengths
        width = int(n_samples.max(initial=0))
        filled = np.arange(width) < n_samples[:, None]
        t_s = np.full((n_rows, width), np.nan)
        angles_deg = np.full((n_rows, len(CHANNELS), width), np.nan)
        t_s[filled] = self.t_s
        for channel, flat in enumerate(self.angles_deg):
            angles_deg[:, channel][filled] = flat
        return t_s, angles_deg, n_samples
