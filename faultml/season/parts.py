"""The parts that partitions leave on disk, until a season is put together from them.

A part is a folder named by its partition's id. It is written under an attempt's name and then moved, so that a part
that is there is whole; its record holds the hash of every file, so that one that was damaged is made again.
"""

from __future__ import annotations

import secrets
import shutil
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import msgspec
import numpy as np
import pyarrow as pa

from faultml.exact import Columns, add_tables
from faultml.recordings.digests import file_digest
from faultml.recordings.problems import Problem
from faultml.season.batch import COLUMNS

PART_FILE: Final = "part.json"
ATTEMPT: Final = ".attempt-"
WATCH_FILE: Final = "watch.json"
CURVES_FILE: Final = "curves.parquet"


class Partition(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What a partition has left.

    Attributes
    ----------
    id
        Hash of its content, its rows and its options; the name of its folder.
    place
        Where it begins in the season, for messages.
    n_swings, n_assessed, n_problems
        Counts.
    rows
        Rows of each table.
    problems
        Number of problems by code and file.
    unread
        Problems of files that could not be read to their end.
    bucket_rows
        For each table of sums, where the rows of each bucket of players end.
    files
        SHA-256 of each file of the part.
    """

    id: str
    place: str
    n_swings: int
    n_assessed: int
    n_problems: int
    rows: dict[str, int]
    problems: tuple[tuple[str, str, int], ...]
    unread: tuple[Problem, ...]
    bucket_rows: dict[str, tuple[int, ...]]
    files: dict[str, str]

    def sums(self, out: Path, bucket: int | None = None) -> dict[str, pa.Table]:
        """The partition's sums, or those of one bucket of players: the tables of `faultml.season.batch.COLUMNS`.

        Parameters
        ----------
        out
            The folder of parts.
        """
        return {name: self._sums(out / self.id / sums_file(name), name, bucket) for name in COLUMNS}

    def _sums(self, path: Path, name: str, bucket: int | None) -> pa.Table:
        ends = self.bucket_rows[name]
        start, stop = (0, ends[-1]) if bucket is None else (ends[bucket - 1] if bucket else 0, ends[bucket])
        if start == stop:
            return COLUMNS[name].empty()
        with pa.memory_map(str(path)) as file:
            return pa.ipc.open_file(file).read_all().slice(start, stop - start)


def sums_file(name: str) -> str:
    """File of one table of sums."""
    return f"sums-{name}.arrow"


def find_part(out: Path, part_id: str) -> Partition | None:
    """The part of this id, where it is there and every file is as it was written; what is not is removed."""
    folder = out / part_id
    try:
        part = msgspec.json.decode((folder / PART_FILE).read_bytes(), type=Partition)
        if all(file_digest(folder / name) == sha256 for name, sha256 in part.files.items()):
            return part
    except (OSError, msgspec.MsgspecError):
        pass
    shutil.rmtree(folder, ignore_errors=True)
    return None


@contextmanager
def new_part(out: Path, part_id: str) -> Iterator[Path]:
    """A folder to fill; it gets the part's name when the block ends without an error, unless another was faster."""
    attempt = out / f"{ATTEMPT}{part_id[:16]}-{secrets.token_hex(4)}"
    attempt.mkdir(parents=True)
    try:
        yield attempt
        try:
            attempt.rename(out / part_id)
        except OSError:
            if not (out / part_id / PART_FILE).is_file():
                raise
    finally:
        shutil.rmtree(attempt, ignore_errors=True)


def write_sums(
    folder: Path, tables: Mapping[str, pa.Table], buckets: Sequence[str]
) -> dict[str, tuple[int, ...]]:
    """Write tables of sums, which are in the order of their players; where the rows of each bucket end."""
    ends = {}
    for name, table in tables.items():
        with (
            pa.OSFile(str(folder / sums_file(name)), "wb") as file,
            pa.ipc.new_file(file, table.schema) as out,
        ):
            out.write_table(table)
        players = table["player"].to_numpy()
        found = (
            np.searchsorted(players, np.array(buckets, dtype=object)) if len(players) else [0] * len(buckets)
        )
        ends[name] = (*map(int, found), len(table))
    return ends


def add_bucket(out: Path, parts: Sequence[Partition], bucket: int) -> dict[str, pa.Table]:
    """The sums of one bucket of players over all parts; little memory, whatever the number of parts."""
    return {name: _add_bucket(out, parts, bucket, name, columns) for name, columns in COLUMNS.items()}


def _add_bucket(
    out: Path, parts: Sequence[Partition], bucket: int, name: str, columns: Columns, at_once: int = 64
) -> pa.Table:
    total = columns.empty()
    for start in range(0, len(parts), at_once):
        tables = [
            part._sums(out / part.id / sums_file(name), name, bucket)
            for part in parts[start : start + at_once]
        ]
        total = add_tables([total, *tables], columns.keys)
    return total


def remove_others(out: Path, kept: set[str]) -> None:
    """Remove attempts that were not finished, and parts of other runs."""
    for each in out.iterdir():
        if each.is_dir() and each.name not in kept:
            shutil.rmtree(each, ignore_errors=True)
