"""One player's recordings in the files of a season: copied out, or taken out."""

from __future__ import annotations

import csv
import gzip
import os
import tempfile
import zlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO, NamedTuple, cast

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from faultml.errors import InputError
from faultml.recordings.csv_blocks import CsvFile
from faultml.recordings.files import FileKind, find_files

_PLAYER = "player"


class Found(NamedTuple):
    """A file that holds rows about a player: swings in Parquet, samples in long CSV, a row of the roster."""

    file: Path
    rows: int
    others: int
    """Rows about anybody else."""


def copy_player(paths: Sequence[Path], player: str, out: Path) -> list[Found]:
    """Copy the rows about a player into a new folder `out`, each file under its own name and in its own form.

    Raises
    ------
    InputError
        ``no-such-path``; ``unreadable-season`` where a file cannot be read to its end: what it holds is not known.
    """
    found = []
    for number, (file, kind) in enumerate(_files(paths), 1):
        out.mkdir(parents=True, exist_ok=True)
        copy = out / f"{number:03d}-{file.name}"
        rows, others = _split(file, kind, copy, _is_player(player, kind), matching=True)
        if rows:
            found.append(Found(file, rows, others))
        else:
            copy.unlink()
    return found


def remove_player(paths: Sequence[Path], player: str, *, dry_run: bool = False) -> list[Found]:
    """Take the rows about a player out of a season's files, roster included; each file whole or not at all.

    A file that holds nobody else is deleted. Raises as `copy_player`.
    """
    found = []
    for file, kind in _files(paths):
        with _beside(file) as part:
            rows, others = _split(file, kind, part, _is_player(player, kind), matching=False)
            if not rows:
                continue
            found.append(Found(file, rows, others))
            if dry_run:
                continue
            if others:
                part.chmod(file.stat().st_mode & 0o777)
                part.replace(file)
            else:
                file.unlink()
    return found


def _files(paths: Sequence[Path]) -> Iterator[tuple[Path, FileKind | None]]:
    """The files of a season with their kind, None for the roster."""
    season = find_files(paths)
    unread = [
        problem for problem in season.problems if problem.code not in ("empty-folder", "not-a-season-file")
    ]
    if unread:
        raise InputError(
            "unreadable-season", where=unread[0].file, expected=unread[0].expected, found=unread[0].found
        )
    yield from season.files
    if season.roster:
        yield season.roster, None


def _is_player(player: str, kind: FileKind | None) -> Callable[[str], bool]:
    """Whether a cell means the player: to the letter in recordings, without case and spaces in the roster."""
    if kind is not None:
        return lambda cell: cell == player
    folded = "".join(player.casefold().split())
    return lambda cell: "".join(cell.casefold().split()) == folded


def _split(
    file: Path, kind: FileKind | None, out: Path, is_player: Callable[[str], bool], *, matching: bool
) -> tuple[int, int]:
    """Write the rows about a player, or those about others, to `out`; how many there are of each."""
    try:
        if kind == "parquet":
            return _split_parquet(file, out, is_player, matching=matching)
        return _split_csv(file, out, is_player, matching=matching, is_roster=kind is None)
    except InputError as error:  # of the header, which does not say whose
        raise InputError(
            "unreadable-season", where=str(file), expected=error.expected, found=error.found
        ) from error
    except (pa.ArrowException, OSError, EOFError, KeyError, ValueError, csv.Error, zlib.error) as error:
        raise InputError(
            "unreadable-season", where=str(file), expected="a file read to its end", found=str(error)
        ) from error


def _split_parquet(
    file: Path, out: Path, is_player: Callable[[str], bool], *, matching: bool
) -> tuple[int, int]:
    counts = [0, 0]
    with (
        pq.ParquetFile(file) as source,
        pq.ParquetWriter(out, source.schema_arrow, compression="zstd") as writer,
    ):
        for batch in source.iter_batches(batch_size=1000):
            players = pc.cast(batch.column(_PLAYER), pa.string()).to_pylist()
            own = [is_player(player or "") for player in players]
            counts[0] += sum(own)
            counts[1] += len(own) - sum(own)
            writer.write_batch(batch.filter(pa.array([each == matching for each in own])))
    return counts[0], counts[1]


def _split_csv(
    file: Path, out: Path, is_player: Callable[[str], bool], *, matching: bool, is_roster: bool
) -> tuple[int, int]:
    """Line by line, each kept to the byte; a line is a row (see `csv_blocks`)."""
    counts = [0, 0]
    delimiter = None if is_roster else CsvFile(file).header.delimiter
    with _unpacked(file, "rb") as source, _unpacked(out, "wb", packed=_is_packed(file)) as target:
        head = source.readline()
        target.write(head)
        first = head.decode("utf-8-sig")
        delimiter = delimiter or max(",;\t", key=first.count)
        names = [name.strip().casefold() for name in next(csv.reader([first], delimiter=delimiter))]
        at = names.index(_PLAYER)
        for line in source:
            fields = next(csv.reader([line.decode("utf-8")], delimiter=delimiter), [])
            own = len(fields) > at and is_player(fields[at])
            counts[not own] += bool(line.strip())
            if own == matching:
                target.write(line)
    return counts[0], counts[1]


def _is_packed(file: Path) -> bool:
    with file.open("rb") as stream:
        return stream.read(2) == b"\x1f\x8b"


def _unpacked(file: Path, mode: str, packed: bool | None = None) -> BinaryIO:
    packed = _is_packed(file) if packed is None else packed
    return cast(BinaryIO, gzip.open(file, mode) if packed else file.open(mode))


@contextmanager
def _beside(file: Path) -> Iterator[Path]:
    """A file to write beside another, gone when the block ends unless it has been moved."""
    handle, name = tempfile.mkstemp(prefix=f".{file.name}.", dir=file.parent)
    os.close(handle)
    try:
        yield Path(name)
    finally:
        Path(name).unlink(missing_ok=True)
