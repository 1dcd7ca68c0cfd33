"""Open a season and read it in batches; memory does not grow with its length.

A season is read twice. The first pass reads ids only and finds those that stand more than once, wherever in
the season: every copy has to be refused, and the first one would be gone by the time the second is met. It
keeps 8 bytes a swing. The second pass reads batches.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from faultml.channels import ID_COLUMNS
from faultml.errors import InputError
from faultml.recordings.checks import check_swings
from faultml.recordings.columns import check_names
from faultml.recordings.files import FileKind, find_files
from faultml.recordings.long_csv import CsvSeason
from faultml.recordings.parquet import ParquetSeason, read_table
from faultml.recordings.problems import Problem, file_problem, shorten
from faultml.recordings.raw import RawSwings
from faultml.recordings.roster import Roster, read_roster
from faultml.recordings.roster_match import MatchedRoster, match_roster
from faultml.recordings.schema import KNOWN_COLUMNS, SAMPLE_COLUMNS
from faultml.recordings.swings import SwingBatch

DEFAULT_BATCH_SIZE: Final = 1000
MOST_BATCH_SAMPLES: Final = 4_000_000
"""A batch's padded arrays hold at most so many samples a channel, unless a single swing is longer."""

SeasonFile = ParquetSeason | CsvSeason


class Season:
    """A season of recordings, opened.

    Attributes
    ----------
    n_swings
        Swings in the readable files, refused ones included.
    roster
        One row a player, see `faultml.recordings.roster.read_roster`; empty where there is none.
    roster_unreadable
        Whether there is a roster that could not be read.
    unread
        What was wrong with each file that was not read, or not to its end.
    """

    def __init__(
        self,
        files: Sequence[SeasonFile],
        repeated: NDArray[np.uint64],
        n_swings: int,
        roster: Roster,
        problems: list[Problem],
        unread: list[Problem],
        batch_size: int,
    ) -> None:
        self.n_swings = n_swings
        self.roster = roster.table
        self.unread = unread
        self._roster = roster
        self.roster_unreadable = roster.unreadable
        self._problems = deque(
            [*unread, *problems]
        )  # batches may be drawn in one thread and problems taken in another
        self._files = files
        self._repeated = repeated
        self._batch_size = batch_size

    def batches(self) -> Iterator[SwingBatch]:
        """Every swing of the season exactly once, in file order, at most ``batch_size`` a time."""
        for raw in self._raw_batches():
            repeated = np.isin(_id_hashes(raw.table), self._repeated) if len(self._repeated) else None
            checked = check_swings(raw, repeated)
            self._problems.extend(checked.problems)
            yield checked.batch

    @property
    def problems(self) -> list[Problem]:
        """What is wrong in the input so far: files at once, swings as `batches` goes on."""
        return list(self._problems)

    def take_problems(self) -> list[Problem]:
        """The problems noticed since the last call, handed over so that they need not pile up."""
        return [self._problems.popleft() for _ in range(len(self._problems))]

    def match_roster(self, recorded: Iterable[str]) -> MatchedRoster:
        """Give the roster's rows to the players recorded, see `faultml.recordings.roster_match.match_roster`."""
        matched = match_roster(self._roster, recorded)
        self.roster = matched.table
        self._problems.extend(matched.problems)
        return matched

    def _raw_batches(self) -> Iterator[RawSwings]:
        held: list[RawSwings] = []
        for raw in self._raw():
            held.append(raw)
            if sum(map(len, held)) >= self._batch_size:
                joined = RawSwings.concat(held)
                full = len(joined) - len(joined) % self._batch_size
                for start in range(0, full, self._batch_size):
                    yield from _bounded(joined.slice(start, start + self._batch_size))
                held = [joined.slice(full, len(joined))] if full < len(joined) else []
        if held:
            yield from _bounded(RawSwings.concat(held))

    def _raw(self) -> Iterator[RawSwings]:
        for file in self._files:
            try:
                yield from file.read(self._problems.append)
            except (InputError, OSError) as error:
                self.unread.append(_of_file(file.path, error))
                self._problems.append(self.unread[-1])


def open_season(
    paths: Sequence[Path], *, batch_size: int = DEFAULT_BATCH_SIZE, roster: Path | None = None
) -> Season:
    """Open Parquet files, long CSV files and folders of them as one season.

    Parameters
    ----------
    paths
        Files and folders. What cannot be read becomes a problem, the rest is read.
    batch_size
        Most swings of a batch.
    roster
        The roster; by default ``roster.csv`` beside the first path that has one.

    Raises
    ------
    InputError
        ``no-such-path`` where a path does not exist.
    """
    found = find_files(paths)
    unread, problems, files, hashes = found.problems, list[Problem](), [], []
    for path, kind in found.files:
        try:
            file = _open(path, kind)
            hashes.append(np.concatenate([_id_hashes(ids) for ids in file.scan()]))
        except (InputError, OSError) as error:
            unread.append(_of_file(path, error))
        else:
            files.append(file)
            problems.extend([*file.notes, *_misspelt(file)])
    ids, counts = np.unique(np.concatenate([np.empty(0, np.uint64), *hashes]), return_counts=True)
    players = read_roster(roster or found.roster)
    problems.extend(players.problems)
    return Season(files, ids[counts > 1], int(counts.sum()), players, problems, unread, batch_size)


def read_frame(frame: pd.DataFrame) -> tuple[SwingBatch, list[Problem]]:
    """Swings in memory as a season table (one row a swing, samples in lists), checked like those of a file.

    Raises
    ------
    InputError
        Where a column is missing, doubled or of another type.
    """
    names = [str(name) for name in frame.columns]
    check_names(names)
    known = [name for name in names if name in KNOWN_COLUMNS]
    return read_swings(pa.table({name: _from_pandas(frame[name]) for name in known}))


def read_swings(table: pa.Table) -> tuple[SwingBatch, list[Problem]]:
    """The same for a season table of Arrow, such as a Parquet file holds.

    Raises
    ------
    InputError
        As `read_frame`.
    """
    problems: list[Problem] = []
    raw = read_table(table, problems.append)
    hashes = _id_hashes(raw.table)
    ids, counts = np.unique(hashes, return_counts=True)
    checked = check_swings(raw, np.isin(hashes, ids[counts > 1]))
    return checked.batch, [*problems, *checked.problems]


def _from_pandas(column: pd.Series) -> pa.Array:
    try:
        if column.name not in SAMPLE_COLUMNS:
            return pa.Array.from_pandas(column)
        rows = [np.asarray(row, dtype=float) if np.ndim(row) else None for row in column]
        return pa.array(rows, pa.list_(pa.float64()))
    except (pa.ArrowException, TypeError, ValueError) as error:
        expected = f"{column.name} of the season table"
        raise InputError("wrong-type", expected=expected, found=shorten(error)) from error


def _open(path: Path, kind: FileKind) -> SeasonFile:
    return ParquetSeason(path) if kind == "parquet" else CsvSeason(path)


def _of_file(path: Path, error: InputError | OSError) -> Problem:
    if isinstance(error, OSError):
        return file_problem(
            str(path), "unreadable", "a file that may be read", error.strerror or shorten(error)
        )
    row = int(error.where) if error.where.isdecimal() else 0
    return file_problem(str(path), error.code, error.expected, error.found, row)


def _misspelt(file: SeasonFile) -> list[Problem]:
    """Unknown columns that look like a known one that is absent: its values would be missed in silence."""
    absent = [name for name in KNOWN_COLUMNS if name not in file.columns]
    unknown = [name for name in file.names if name not in KNOWN_COLUMNS]
    near = {name: get_close_matches(name.strip().lower(), absent, 1, 0.8) for name in unknown}
    return [
        file_problem(str(file.path), "unknown-column", f"{match[0]}?", f"{shorten(name)}, not read")
        for name, match in near.items()
        if match
    ]


def _bounded(raw: RawSwings) -> Iterator[RawSwings]:
    """Halves, until the padded arrays are within bounds."""
    if len(raw) > 1 and len(raw) * raw.lengths.max() > MOST_BATCH_SAMPLES:
        middle = len(raw) // 2
        yield from _bounded(raw.slice(0, middle))
        yield from _bounded(raw.slice(middle, len(raw)))
    else:
        yield raw


def _id_hashes(table: pa.Table) -> NDArray[np.uint64]:
    """64-bit hashes of the swings' ids. In a million swings two collide by chance 3 times in 10^8."""
    ids = pd.DataFrame(
        {name: table[name].fill_null("").to_numpy(zero_copy_only=False) for name in ID_COLUMNS}
    )
    return pd.util.hash_pandas_object(ids, index=False).to_numpy()
