"""Hashes of what a piece of a file holds, so that a partition done before is known again."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Final

import pyarrow as pa
import pyarrow.parquet as pq

from faultml.errors import InputError
from faultml.recordings.fragments import Fragment, Piece
from faultml.recordings.problems import shorten

_CHUNK_BYTES: Final = 1 << 22


def fragment_digest(fragment: Fragment) -> str:
    """SHA-256 of the places of a fragment's pieces, of all that is read for them, and of its names."""
    found = hashlib.sha256(repr([(each.name, each.player) for each in fragment.names]).encode())
    found.update(repr(fragment.left_out).encode())
    for piece in fragment.pieces:
        found.update(repr((piece.path, piece.kind, piece.start, piece.stop, piece.line)).encode())
        try:
            for start, stop in _ranges(piece):
                _add(found, Path(piece.path), start, stop)
        except (OSError, pa.ArrowException, ValueError) as error:
            # A file that cannot be read is a result too; once it is mended, its hash is another.
            found.update(shorten(error).encode())
    return found.hexdigest()


def _ranges(piece: Piece) -> list[tuple[int, int]]:
    """Bytes of the file that a piece rests on."""
    path = Path(piece.path)
    if piece.kind != "parquet":
        return [(0, min(piece.start, _CHUNK_BYTES)), (piece.start, piece.stop)]
    size = path.stat().st_size
    with pq.ParquetFile(path) as file:
        metadata = file.metadata
        row, starts, stops = 0, [], []
        for group in range(metadata.num_row_groups):
            rows = metadata.row_group(group).num_rows
            if row < piece.stop and row + rows > piece.start:
                columns = [metadata.row_group(group).column(at) for at in range(metadata.num_columns)]
                begins = [_begin(column) for column in columns]
                starts += begins
                stops += [at + each.total_compressed_size for at, each in zip(begins, columns, strict=True)]
            row += rows
        footer = size - metadata.serialized_size - 8
    if footer < 0:
        raise InputError("damaged-file", where=str(path), expected="a whole Parquet file", found="less")
    return [(min(starts, default=0), max(stops, default=0)), (footer, size)]


def _begin(column: pq.ColumnChunkMetaData) -> int:
    first = column.data_page_offset
    return min(first, column.dictionary_page_offset) if column.has_dictionary_page else first


def _add(found: hashlib._Hash, path: Path, start: int, stop: int) -> None:
    with path.open("rb") as file:
        file.seek(start)
        left = stop - start
        while left > 0 and (chunk := file.read(min(left, _CHUNK_BYTES))):
            found.update(chunk)
            left -= len(chunk)


def file_digest(path: Path) -> str:
    """SHA-256 of a whole file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
