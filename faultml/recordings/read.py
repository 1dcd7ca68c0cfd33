"""Open a season and read it in batches; memory does not grow with its length.

A season is read twice. The first pass reads ids only and finds those that stand more than once, wherever in
the season: every copy has to be refused, and the first one would be gone by the time the second is met. The second pass
reads batches, of the whole season or of one fragment of it.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from difflib import get_close_matches
from pathlib import Path
from typing import Final, NamedTuple

import msgspec
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from faultml.errors import InputError
from faultml.recordings.checks import check_swings
from faultml.recordings.columns import check_names
from faultml.recordings.corrections import CoachLandmark
from faultml.recordings.files import ANOTHER_ROSTER, FileKind, find_files
from faultml.recordings.fragments import PARTITION_SWINGS, Fragment, Piece, cut_fragments
from faultml.recordings.left_out import LeftOut
from faultml.recordings.long_csv import CsvSeason
from faultml.recordings.marks import read_marks
from faultml.recordings.parquet import ParquetSeason, read_table
from faultml.recordings.problems import Problem, file_problem, shorten
from faultml.recordings.raw import RawSwings
from faultml.recordings.repeats import RepeatFinder, Repeats, confirm, id_hashes
from faultml.recordings.roster import Roster, read_roster
from faultml.recordings.roster_match import NO_ROW, MatchedRoster, match_roster
from faultml.recordings.same_names import SameName, renamed, targets
from faultml.recordings.schema import KNOWN_COLUMNS, SAMPLE_COLUMNS
from faultml.recordings.swings import SwingBatch

DEFAULT_BATCH_SIZE: Final = 1000
MAX_BATCH_SAMPLES: Final = 4_000_000
"""A batch's padded arrays hold at most so many samples a channel, unless a single swing is longer."""

SeasonFile = ParquetSeason | CsvSeason
Report = Callable[[Problem], None]


class Season:
    """A season of recordings, opened.

    Attributes
    ----------
    n_swings
        Swings in the readable files, refused ones included.
    players
        Swings of each player.
    repeats
        Swings whose ids stand more than once.
    roster
        One row a player, see `faultml.recordings.roster.read_roster`; empty where there is none.
    roster_unreadable
        Whether there is a roster that could not be read.
    unread
        What was wrong with each file that was not read, or not to its end.
    batch_size
        Most swings of a batch.
    paths
        Files and folders in which a roster is looked for; none where it was named.
    names
        Names of the recordings that are read as a player of another name.
    marks
        Landmarks that a coach has placed in ``marks.csv`` beside the season, under the names of their players.
    left_out
        Swings of each player who was left out; `n_swings` and `players` are without them.
    """

    def __init__(
        self,
        pieces: Sequence[Piece],
        scanned: Scanned,
        roster: Roster,
        problems: list[Problem],
        batch_size: int,
        paths: Sequence[Path] = (),
        names: tuple[SameName, ...] = (),
        marks: tuple[CoachLandmark, ...] = (),
        left_out: Counter[str] | None = None,
    ) -> None:
        self.paths = tuple(paths)
        self.left_out = left_out or Counter()
        self.n_swings = sum(scanned.players.values())
        self.players = scanned.players
        self.repeats = scanned.repeats
        self.roster = roster.table
        self.unread = scanned.unread
        self.roster_unreadable = roster.unreadable
        self.batch_size = batch_size
        self.names = names
        self.marks = marks
        self._pieces = pieces
        self._roster = roster
        # Batches may be drawn in one thread and problems taken in another.
        self._problems = deque([*scanned.unread, *problems])

    def fragments(self, swings: int = PARTITION_SWINGS) -> list[Fragment]:
        """The season in parts of about so many swings, in file order, that can be read on their own."""
        cut = cut_fragments(self._pieces, swings)
        if not (self.names or self.left_out):
            return cut
        gone = tuple(sorted(self.left_out))
        return [msgspec.structs.replace(each, names=self.names, left_out=gone) for each in cut]

    def batches(self) -> Iterator[SwingBatch]:
        """Every swing of the season exactly once, in file order, at most ``batch_size`` a time."""
        for whole in self.fragments(max(self.n_swings + self.left_out.total(), 1)):
            yield from read_fragment(
                whole, self.repeats, self._problems.append, self.unread.append, self.batch_size
            )

    @property
    def problems(self) -> list[Problem]:
        """What is wrong in the input so far: files at once, swings as `batches` goes on."""
        return list(self._problems)

    def take_problems(self) -> list[Problem]:
        """The problems noticed since the last call, handed over so that they need not pile up."""
        return [self._problems.popleft() for _ in range(len(self._problems))]

    def match_roster(self, recorded: Iterable[str]) -> MatchedRoster:
        """Give the roster's rows to the players recorded, see `faultml.recordings.roster_match.match_roster`.

        A row may stand under any name of a player; that there is none under another spelling is no problem.
        """
        also = {each.name for each in self.names} - set(recorded)
        matched = match_roster(self._roster, [*recorded, *also])
        problems = [each for each in matched.problems if each.code != NO_ROW or each.player not in also]
        self.roster = matched.table
        self._problems.extend(problems)
        return matched._replace(problems=problems)


class Scanned(NamedTuple):
    """What the first pass over a season finds; `unread` is what was wrong with files that cannot be read."""

    players: dict[str, int]
    repeats: Repeats
    unread: list[Problem]


def open_season(
    paths: Sequence[Path],
    *,
    batch_size: int = DEFAULT_BATCH_SIZE,
    roster: Path | None = None,
    names: Sequence[SameName] = (),
    left_out: LeftOut | None = None,
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
    names
        Names of the recordings that are read as a player of another name: two spellings of one player.
    left_out
        Which players to leave out, recordings and rows of the roster: `faultml.store.people.forgotten_players`.

    Raises
    ------
    InputError
        ``no-such-path`` where a path does not exist, ``no-paths`` where there is none.
    """
    if not paths:
        raise InputError("no-paths", where="season", expected="at least one file or folder", found="none")
    found = find_files(paths)
    unread, problems, files, pieces = found.problems, list[Problem](), list[SeasonFile](), list[Piece]()
    players: Counter[str] = Counter()
    players_of = targets(names)
    with RepeatFinder() as finder:
        for path, kind in found.files:
            try:
                file = _open(path, kind)
                own, counts = _scan(file, players_of)
            except (InputError, OSError) as error:
                unread.append(_of_file(path, error))
            else:
                files.append(file)
                pieces += file.pieces
                players.update(counts)
                finder.add(own)
                problems.extend([*file.notes, *_misspelt(file)])
        repeats = confirm(
            finder.repeated(), lambda: (renamed(ids, players_of) for file in files for ids in file.scan())
        )
    gone: Counter[str] = Counter()
    known = read_roster(roster or found.roster)
    if left_out is not None:
        gone = Counter({player: players.pop(player) for player in left_out(players)})
        known = _without(known, left_out)
    if roster is None and any(problem.code == ANOTHER_ROSTER for problem in found.problems):
        # What the other one says of anybody is not known.
        known = known._replace(unreadable=True)
    problems.extend(known.problems)
    marks = read_marks(found.marks)
    problems.extend(marks.problems)
    placed = tuple(
        msgspec.structs.replace(each, player=players_of.get(each.player, each.player))
        for each in marks.landmarks
    )
    scanned = Scanned(dict(players), repeats, unread)
    beside = () if roster else paths
    return Season(pieces, scanned, known, problems, batch_size, beside, tuple(names), placed, gone)


def read_fragment(
    fragment: Fragment, repeats: Repeats, report: Report, unread: Report, batch_size: int = DEFAULT_BATCH_SIZE
) -> Iterator[SwingBatch]:
    """Every swing of a fragment exactly once, in order, checked.

    Parameters
    ----------
    fragment
        Of `Season.fragments`.
    repeats
        Of the season.
    report, unread
        Called with each problem, before the batch it was noticed in; `unread` also with that of a file that cannot be
        read to its end.
    batch_size
        Most swings of a batch.
    """
    gone = set(fragment.left_out)
    players_of = targets(fragment.names)

    def reported(problem: Problem) -> None:
        if not gone & {problem.player, players_of.get(problem.player, "")}:
            report(problem)

    for raw in _batches(_under_players(_raw(fragment, reported, unread), fragment), batch_size):
        checked = check_swings(raw, repeats.mask(raw.table))
        for problem in checked.problems:
            report(problem)
        yield checked.batch


def read_refused(
    fragment: Fragment, repeats: Repeats, reason: str, batch_size: int = DEFAULT_BATCH_SIZE
) -> Iterator[SwingBatch]:
    """Every swing of a fragment by its ids alone, none of them to be assessed; as `read_fragment` otherwise.

    Raises
    ------
    InputError, OSError
        Where the ids cannot be read.
    """
    raw = (
        each for piece in fragment.pieces for each in _open(Path(piece.path), piece.kind).ids(piece, reason)
    )
    for each in _batches(_under_players(raw, fragment), batch_size):
        yield check_swings(each, repeats.mask(each.table)).batch


def _without(roster: Roster, left_out: LeftOut) -> Roster:
    """A roster without the rows of players who are left out, and what was wrong with them."""
    gone = left_out(roster.table["player"])
    kept = roster.table[~roster.table["player"].isin(gone)].reset_index(drop=True)
    return roster._replace(table=kept, problems=[each for each in roster.problems if each.player not in gone])


def _scan(file: SeasonFile, players_of: Mapping[str, str]) -> tuple[NDArray[np.uint64], Counter[str]]:
    """Hashes of a file's ids, and swings of each player."""
    hashes, players = [], Counter[str]()
    for written in file.scan():
        ids = renamed(written, players_of)
        hashes.append(id_hashes(ids))
        for each in pc.value_counts(ids["player"].fill_null("")).to_pylist():
            players[each["values"]] += each["counts"]
    return np.concatenate([np.empty(0, np.uint64), *hashes]), players


def _raw(fragment: Fragment, report: Report, unread: Report) -> Iterator[RawSwings]:
    for piece in fragment.pieces:
        path = Path(piece.path)
        try:
            yield from _open(path, piece.kind).read(report, piece)
        except (InputError, OSError) as error:
            problem = _of_file(path, error)
            unread(problem)
            report(problem)


def _under_players(read: Iterable[RawSwings], fragment: Fragment) -> Iterator[RawSwings]:
    """Swings under the names of their players, without those of players who are left out."""
    players_of, gone = targets(fragment.names), pa.array(fragment.left_out, pa.string())
    for each in read:
        raw = replace(each, table=renamed(each.table, players_of)) if players_of else each
        if len(gone):
            raw = raw.take(~pc.is_in(raw.table["player"], gone).to_numpy(zero_copy_only=False))
        if len(raw) or not len(gone):
            yield raw


def _batches(pieces: Iterable[RawSwings], batch_size: int) -> Iterator[RawSwings]:
    held: list[RawSwings] = []
    for raw in pieces:
        held.append(raw)
        if sum(map(len, held)) >= batch_size:
            joined = RawSwings.concat(held)
            full = len(joined) - len(joined) % batch_size
            for start in range(0, full, batch_size):
                yield from _bounded(joined.slice(start, start + batch_size))
            held = [joined.slice(full, len(joined))] if full < len(joined) else []
    if held:
        yield from _bounded(RawSwings.concat(held))


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
    hashes = id_hashes(raw.table)
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
    if len(raw) > 1 and len(raw) * raw.lengths.max() > MAX_BATCH_SAMPLES:
        middle = len(raw) // 2
        yield from _bounded(raw.slice(0, middle))
        yield from _bounded(raw.slice(middle, len(raw)))
    else:
        yield raw
