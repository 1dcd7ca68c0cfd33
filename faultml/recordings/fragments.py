"""Parts of a season that are read on their own: runs of rows of Parquet files, runs of lines of CSV files."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

import msgspec

from faultml.recordings.files import FileKind
from faultml.recordings.same_names import SameName

PARTITION_SWINGS: Final = 4000
"""Swings of a partition: enough that starting one costs little, few enough that losing one does."""


class Piece(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Swings that stand together in one file.

    Attributes
    ----------
    path, kind
        The file as the season was opened with it, and what it is.
    start, stop
        First and last place, `stop` not included: rows from 0 of a Parquet file, bytes of a CSV file.
        All of a packed CSV file is one piece.
    line
        Line of a CSV file that `start` is in; the header is line 1.
    n_swings
        How many.
    """

    path: str
    kind: FileKind
    start: int
    stop: int
    line: int
    n_swings: int


class Fragment(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What one partition reads, in this order; every swing of it stands in one piece as a whole.

    Attributes
    ----------
    pieces
        Of the files.
    names
        Names of the recordings that belong to a player of another name.
    left_out
        Players whose swings are passed over; `n_swings` counts them all the same.
    """

    pieces: tuple[Piece, ...]
    names: tuple[SameName, ...] = ()
    left_out: tuple[str, ...] = ()

    @property
    def n_swings(self) -> int:
        """How many swings it holds."""
        return sum(piece.n_swings for piece in self.pieces)

    @property
    def place(self) -> str:
        """Where it begins, for messages."""
        first = self.pieces[0]
        return f"{first.path}, {'row' if first.kind == 'parquet' else 'byte'} {first.start}"


def cut_fragments(pieces: Iterable[Piece], swings: int = PARTITION_SWINGS) -> list[Fragment]:
    """Put small pieces together and cut large ones, so that fragments hold about so many swings.

    Parameters
    ----------
    pieces
        Of the whole season, in order.
    swings
        Most swings of a fragment; only a packed CSV file, which is not cut, may hold more.
    """
    fragments: list[Fragment] = []
    held: list[Piece] = []
    count = 0
    for piece in _cut(pieces, swings):
        if held and count + piece.n_swings > swings:
            fragments.append(Fragment(tuple(held)))
            held, count = [], 0
        if held and held[-1].path == piece.path and held[-1].stop == piece.start:
            last = held.pop()
            together = last.n_swings + piece.n_swings
            held.append(msgspec.structs.replace(last, stop=piece.stop, n_swings=together))
        else:
            held.append(piece)
        count += piece.n_swings
    return [*fragments, Fragment(tuple(held))] if held else fragments


def _cut(pieces: Iterable[Piece], swings: int) -> Iterator[Piece]:
    """Parquet pieces in slices of at most so many swings, which are rows."""
    for piece in pieces:
        if piece.kind != "parquet" or piece.n_swings <= swings:
            yield piece
            continue
        for start in range(piece.start, piece.stop, swings):
            stop = min(start + swings, piece.stop)
            yield msgspec.structs.replace(piece, start=start, stop=stop, n_swings=stop - start)
