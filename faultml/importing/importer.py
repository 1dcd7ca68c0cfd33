"""Read files by one layout into batches of a season, with the problems of each and counts of all."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Protocol

import numpy as np
import pandas as pd
import pyarrow as pa

from faultml.channels import ID_COLUMNS
from faultml.errors import InputError
from faultml.importing.alignment import Alignment
from faultml.importing.layout import Layout
from faultml.importing.recording import Recording, read_recordings
from faultml.importing.rows import RowReader
from faultml.importing.shocks import with_shocks
from faultml.importing.swings import Counts, SwingPool
from faultml.recordings.checks import check_swings
from faultml.recordings.left_out import LeftOut
from faultml.recordings.problems import Problem, file_problem, problems_frame, shorten, swing_problem
from faultml.recordings.raw import RawSwings, Samples
from faultml.recordings.schema import (
    IMPACT_COLUMN,
    IMPACT_FROM_COLUMN,
    IMPACT_SD_COLUMN,
    MOUNTING_COLUMN,
    SHOT_COLUMN,
    TEXT_COLUMNS,
)
from faultml.recordings.swings import SwingBatch
from faultml.results.columns import PROBLEMS
from faultml.results.tables import TableWriter, stream_table

DONE, NOTHING, PROBLEMS_FOUND = 0, 1, 3
_ROWS: Final = 20_000


class Cut(Protocol):
    """A stretch of a recording, cut: its swings, a table of what was cut and left out and why, and problems."""

    @property
    def batch(self) -> SwingBatch:
        """The swings."""
        ...

    @property
    def table(self) -> pd.DataFrame:
        """Rows for ``_cuts.csv``."""
        ...

    @property
    def problems(self) -> list[Problem]:
        """What is wrong."""
        ...


Cutter = Callable[[Recording, int], Iterator[Cut]]
"""Cuts a recording into swings, of which the first has the number given: `faultml.streams`."""


@dataclass
class ImportRun:
    """What an import has read.

    `n_swings` were met and `n_written` stand in the season; of these `n_sound` pass every check. `findings` counts
    swings by code, `n_shocks` those whose contact was placed by its shock, `unread` are the files that were not read,
    or not to their end. `left_out` counts swings of players who have asked to be forgotten, by player; no other figure
    counts them.
    """

    n_files: int = 0
    n_swings: int = 0
    n_written: int = 0
    n_sound: int = 0
    n_shocks: int = 0
    n_problems: int = 0
    players: set[str] = field(default_factory=set)
    findings: Counter[str] = field(default_factory=Counter)
    unread: list[Problem] = field(default_factory=list)
    left_out: Counter[str] = field(default_factory=Counter)

    def add(self, other: ImportRun) -> None:
        """Add what a later part has read."""
        for name in ("n_files", "n_swings", "n_written", "n_sound", "n_shocks", "n_problems"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.players |= other.players
        self.findings.update(other.findings)
        self.left_out.update(other.left_out)
        self.unread += other.unread

    @property
    def exit_code(self) -> int:
        """0 done, 1 no swing that could be assessed, 3 done, with rows among the problems."""
        if not self.n_sound:
            return NOTHING
        return PROBLEMS_FOUND if self.n_problems else DONE


class ProblemLog:
    """Rows of ``_problems.csv``, written as they come."""

    def __init__(self, path: Path, run: ImportRun) -> None:
        self._writer = TableWriter(path, PROBLEMS)
        self._run = run

    def extend(self, problems: Iterable[Problem]) -> None:
        """Write problems, and count them."""
        rows = list(problems)
        if rows:
            self._writer.append(problems_frame(rows))
            self._run.n_problems += len(rows)

    def take(self, path: Path) -> None:
        """Take over the rows of another such file, which are counted already."""
        for rows in stream_table(path, PROBLEMS, _ROWS):
            self._writer.append(rows)

    def close(self) -> None:
        """Finish the file."""
        self._writer.close()


@dataclass
class Importer:
    """Reads files by one layout; what goes on from file to file is in `counts` and `met`.

    Attributes
    ----------
    contents
        Where the content of unpacked files lies.
    counts
        Swings of each session, where the layout leaves their names to us.
    met
        Hashes of the ids met so far: 8 bytes a swing, and a few for the set.
    left_out
        Which players to leave out.
    """

    layout: Layout
    hands: dict[str, str]
    rename: Callable[[str], str]
    alignment: Alignment | None
    cut: Cutter | None
    contents: dict[Path, Path]
    left_out: LeftOut | None = None
    counts: Counts = field(default_factory=Counter)
    met: set[int] = field(default_factory=set)

    def batches(
        self,
        paths: Sequence[Path],
        run: ImportRun,
        log: ProblemLog,
        cuts_file: Path,
        on_file: Callable[[int], None],
    ) -> Iterator[SwingBatch]:
        """What is written of every file, in order; counted in `run`, with problems in `log` and cuts in their file."""
        problems: list[Problem] = []
        pool = SwingPool(self.layout, self.alignment, self.counts, problems.append)
        for number, path in enumerate(paths, 1):
            try:
                reader = RowReader(
                    path, self.layout, self.hands, self.rename, self.alignment, self.contents.get(path)
                )
                for batch in self._read(reader, pool, problems, run, cuts_file):
                    yield batch
                    log.extend(problems)
                    problems.clear()
            except (InputError, OSError) as error:
                run.unread.append(_of_file(path, error))
                problems.append(run.unread[-1])
            log.extend(problems)
            problems.clear()
            on_file(number)
        for raw in pool.rest():
            yield self._checked(self._kept(raw, problems, run), problems, run)
        log.extend(problems)

    def _read(
        self,
        reader: RowReader,
        pool: SwingPool,
        problems: list[Problem],
        run: ImportRun,
        cuts_file: Path,
    ) -> Iterator[SwingBatch]:
        if self.layout.swings.split != "stream":
            for raw in pool.read(reader):
                yield self._checked(self._kept(raw, problems, run), problems, run)
        elif self.cut is None:
            raise InputError(
                "no-cutter", expected="a cutter, for layouts with split = 'stream'", found="none"
            )
        else:
            for recording in read_recordings(reader, problems.append):
                session = (recording.player, recording.session)
                gone = bool(self._gone([recording.player]))
                for piece in self.cut(recording, self.counts[session] + 1):
                    if gone:
                        run.left_out[recording.player] += len(piece.batch)
                        continue
                    self.counts[session] += len(piece.batch)
                    if self.alignment is not None:
                        piece.batch.table[MOUNTING_COLUMN] = self.alignment.mounting_sd_deg
                    _count(run, piece.batch)
                    run.n_written += len(piece.batch)
                    if IMPACT_FROM_COLUMN in piece.batch.table:
                        run.n_shocks += int((piece.batch.table[IMPACT_FROM_COLUMN] == "shock").sum())
                    problems.extend(piece.problems)
                    _write_cuts(piece.table, cuts_file)
                    yield piece.batch

    def _gone(self, players: Iterable[str]) -> frozenset[str]:
        return frozenset() if self.left_out is None else self.left_out(players)

    def _kept(self, raw: RawSwings, problems: list[Problem], run: ImportRun) -> RawSwings:
        """The swings without those of players who are left out, about whom nothing is noted."""
        players = raw.table["player"].to_pylist()
        gone = self._gone({*players, *(each.player for each in problems)})
        if not gone:
            return raw
        problems[:] = [each for each in problems if each.player not in gone]
        run.left_out.update(player for player in players if player in gone)
        return raw.take(np.array([player not in gone for player in players], dtype=bool))

    def _checked(self, raw: RawSwings, problems: list[Problem], run: ImportRun) -> SwingBatch:
        """The swings as recorded, without those that the reader refused, once the checks have spoken."""
        checked = check_swings(raw)
        if raw.sensed is not None:
            accelerations = self.layout.acceleration is not None
            raw = with_shocks(raw, checked.batch, problems.append, accelerations=accelerations)
            run.n_shocks += raw.table[IMPACT_FROM_COLUMN].to_pylist().count("shock")
        problems.extend(checked.problems)
        problems.extend(self._repeats(raw))
        _count(run, checked.batch)
        written = as_recorded(raw)
        run.n_written += len(written)
        return written

    def _repeats(self, raw: RawSwings) -> Iterator[Problem]:
        ids = pd.DataFrame({name: raw.table[name].to_pylist() for name in ID_COLUMNS})
        for row, key in enumerate(pd.util.hash_pandas_object(ids, index=False).tolist()):
            if key in self.met:
                file, line = raw.table["file"][row].as_py(), raw.table["row"][row].as_py()
                expected = "each player, session and swing once"
                found = "another swing with these"
                yield swing_problem(file, line, list(ids.iloc[row]), "repeated-id", expected, found)
            self.met.add(key)


def _count(run: ImportRun, batch: SwingBatch) -> None:
    run.n_swings += len(batch)
    run.n_sound += int((batch.table["reason"] == "").sum())
    run.players.update(batch.table["player"])
    run.findings.update(code for codes in batch.table["findings"] for code in codes)


def _write_cuts(table: pd.DataFrame, path: Path) -> None:
    if len(table):
        first = not path.exists()
        table.to_csv(path, mode="w" if first else "a", header=first, index=False)


def as_recorded(raw: RawSwings) -> SwingBatch:
    """The swings that have samples, with these as they were recorded: nothing checked, filled or left out."""
    kept = np.flatnonzero(raw.lengths > 0)
    with np.errstate(
        over="ignore"
    ):  # what float32 cannot hold is infinite, and refused as such where it is read
        angles_deg = np.stack([channel.astype(np.float32) for channel in raw.angles_deg]).astype(float)
    samples = Samples(np.arange(len(kept)), raw.lengths[kept], raw.t_s, angles_deg)
    table = raw.table.take(pa.array(kept)).to_pandas()
    columns = {name: table[name].fillna("") for name in TEXT_COLUMNS}
    columns |= {
        name: table[name].astype(float) for name in (IMPACT_COLUMN, IMPACT_SD_COLUMN, MOUNTING_COLUMN)
    }
    frame = pd.DataFrame(columns)
    frame[SHOT_COLUMN] = pd.Series(
        [tuple(shot) if shot is not None else () for shot in table[SHOT_COLUMN]], dtype=object
    )
    frame["reason"] = ""
    frame["findings"] = pd.Series([()] * len(kept), dtype=object)
    return SwingBatch(frame, *samples.pad(len(kept)))


def _of_file(path: Path, error: InputError | OSError) -> Problem:
    if isinstance(error, OSError):
        return file_problem(
            str(path), "unreadable", "a file that may be read", error.strerror or shorten(error)
        )
    row = int(error.where) if error.where.isdecimal() else 0
    return file_problem(str(path), error.code, error.expected, shorten(error.found), row)
