"""Import a season: any recorder's files by one layout into a season folder, whole or not at all."""

from __future__ import annotations

import csv
import json
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from io import StringIO
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final, Protocol

import numpy as np
import pandas as pd
import pyarrow as pa

from faultml.channels import ID_COLUMNS
from faultml.errors import InputError
from faultml.importing.alignment import Alignment, load_alignment
from faultml.importing.entries import find_recordings
from faultml.importing.join import first_files
from faultml.importing.layout import Layout, open_questions, plain
from faultml.importing.pseudonyms import Pseudonyms
from faultml.importing.recording import Recording, read_recordings
from faultml.importing.rows import RowReader
from faultml.importing.swings import Counts, SwingPool
from faultml.recordings.checks import check_swings
from faultml.recordings.files import ROSTER_FILE
from faultml.recordings.problems import Problem, file_problem, problems_frame, shorten, swing_problem
from faultml.recordings.raw import RawSwings, Samples
from faultml.recordings.roster import read_roster
from faultml.recordings.schema import IMPACT_COLUMN, MOUNTING_COLUMN, SHOT_COLUMN, TEXT_COLUMNS
from faultml.recordings.swings import SwingBatch
from faultml.recordings.write import write_season
from faultml.results.columns import PROBLEMS
from faultml.results.folders import LOCK_FILE, replaced_folder
from faultml.results.tables import TableWriter

SEASON_FILE: Final = "season.parquet"
PROBLEMS_FILE: Final = "_problems.csv"
"""Files that begin with ``_`` are passed over where a season is read."""
IMPORT_FILE: Final = "_import.json"
CUTS_FILE: Final = "_cuts.csv"
_OURS: Final = frozenset({SEASON_FILE, PROBLEMS_FILE, IMPORT_FILE, CUTS_FILE, ROSTER_FILE, LOCK_FILE})

DONE, NOTHING, PROBLEMS_FOUND = 0, 1, 3


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
    swings by code, `unread` are the files that were not read, or not to their end.
    """

    n_files: int = 0
    n_swings: int = 0
    n_written: int = 0
    n_sound: int = 0
    n_problems: int = 0
    players: set[str] = field(default_factory=set)
    findings: Counter[str] = field(default_factory=Counter)
    unread: list[Problem] = field(default_factory=list)

    @property
    def exit_code(self) -> int:
        """0 done, 1 no swing that could be assessed, 3 done, with rows among the problems."""
        if not self.n_sound:
            return NOTHING
        return PROBLEMS_FOUND if self.n_problems else DONE


def import_season(
    paths: Sequence[Path],
    layout: Layout,
    out: Path,
    *,
    roster: Path | None = None,
    pseudonyms: Pseudonyms | None = None,
    alignment: Alignment | None = None,
    cut: Cutter | None = None,
    on_file: Callable[[int, int], None] | None = None,
) -> ImportRun:
    """Read files by a layout and write the season folder `out`: ``season.parquet``, the roster, problems beside them.

    Swings are written as recorded, lost samples included, so that whoever reads the season finds in them what was
    found here. What a reader had to refuse (cells that are no numbers, a trail arm) is left out and stands in
    ``_problems.csv``. One bad file never stops the others. The same files give the same bytes.

    Parameters
    ----------
    paths
        Files and folders; of a folder every file, in the order of names.
    layout
        Without open questions.
    out
        Made with its parents; an earlier import there is replaced once the new one is complete.
    roster
        Copied beside the season, the players named as there.
    pseudonyms
        Takes the place of every player's name; the table is saved before the season is.
    alignment
        Where the layout names one, see `alignment_of`.
    cut
        For layouts with split ``stream``.
    on_file
        Called after each file with how many have been read, and of how many.

    Raises
    ------
    InputError
        ``open-questions``, ``no-such-path``, ``bad-roster``, ``not-a-season-folder``; nothing is written then.
    """
    _check_answered(layout)
    known = read_roster(roster)
    if known.unreadable:
        problem = known.problems[-1]
        raise InputError("bad-roster", where=str(roster), expected=problem.expected, found=problem.found)
    named = layout.orientation or layout.angles
    if named is not None and named.alignment and alignment is None:
        raise InputError("no-alignment", expected=f"the alignment {named.alignment}", found="none")
    if layout.worn.hand == "roster" and roster is None:
        raise InputError(
            "bad-roster", expected="a roster, which the layout takes the hand from", found="none"
        )
    hands = dict(zip(known.table["player"], known.table["hand"], strict=True))
    rename = str if pseudonyms is None else pseudonyms.name
    with TemporaryDirectory(prefix="faultml-import-") as folder:
        files = find_recordings(paths, out, Path(folder))
        firsts, unpaired = first_files(files.paths, layout.join)
        problems = [*files.problems, *unpaired]
        run = ImportRun(n_files=len(firsts), unread=problems)
        with replaced_folder(out, _check_ours) as part:
            log = _Problems(part / PROBLEMS_FILE, run)
            log.extend([*problems, *known.problems])
            importer = _Importer(
                layout, hands, rename, alignment, cut, run, log, part / CUTS_FILE, files.contents
            )
            write_season(importer.batches(firsts, on_file), part / SEASON_FILE)
            log.close()
            if roster is not None:
                (part / ROSTER_FILE).write_bytes(_roster_bytes(roster, pseudonyms))
            (part / IMPORT_FILE).write_text(_summary(run, layout), encoding="utf-8")
            if pseudonyms is not None:
                pseudonyms.save()
    return run


def alignment_of(layout: Layout, layout_path: Path) -> Alignment | None:
    """The alignment that a layout names, from beside the layout's own file."""
    part = layout.orientation or layout.angles
    return (
        load_alignment(layout_path.parent / part.alignment) if part is not None and part.alignment else None
    )


def _check_answered(layout: Layout) -> None:
    questions = open_questions(layout)
    if questions:
        raise InputError(
            "open-questions",
            expected="a layout without open questions: nothing is guessed",
            found=", ".join(questions),
        )


class _Problems:
    """Rows of ``_problems.csv``, written as they come."""

    def __init__(self, path: Path, run: ImportRun) -> None:
        self._writer = TableWriter(path, PROBLEMS)
        self._run = run

    def extend(self, problems: Iterable[Problem]) -> None:
        rows = list(problems)
        if rows:
            self._writer.append(problems_frame(rows))
            self._run.n_problems += len(rows)

    def close(self) -> None:
        self._writer.close()


@dataclass
class _Importer:
    layout: Layout
    hands: dict[str, str]
    rename: Callable[[str], str]
    alignment: Alignment | None
    cut: Cutter | None
    run: ImportRun
    log: _Problems
    cuts_file: Path
    contents: dict[Path, Path]
    counts: Counts = field(default_factory=Counter)
    met: set[int] = field(default_factory=set)
    """Hashes of the ids met so far: 8 bytes a swing, and a few for the set."""

    def batches(
        self, paths: Sequence[Path], on_file: Callable[[int, int], None] | None = None
    ) -> Iterator[SwingBatch]:
        """What is written of every file, in order."""
        problems: list[Problem] = []
        pool = SwingPool(self.layout, self.alignment, self.counts, problems.append)
        for number, path in enumerate(paths, 1):
            try:
                reader = RowReader(
                    path, self.layout, self.hands, self.rename, self.alignment, self.contents.get(path)
                )
                for batch in self._read(reader, pool, problems):
                    yield batch
                    self.log.extend(problems)
                    problems.clear()
            except (InputError, OSError) as error:
                self.run.unread.append(_of_file(path, error))
                problems.append(self.run.unread[-1])
            self.log.extend(problems)
            problems.clear()
            if on_file is not None:
                on_file(number, len(paths))
        for raw in pool.rest():
            yield self._checked(raw, problems)
        self.log.extend(problems)

    def _read(self, reader: RowReader, pool: SwingPool, problems: list[Problem]) -> Iterator[SwingBatch]:
        if self.layout.swings.split != "stream":
            for raw in pool.read(reader):
                yield self._checked(raw, problems)
        elif self.cut is None:
            raise InputError(
                "no-cutter", expected="a cutter, for layouts with split = 'stream'", found="none"
            )
        else:
            for recording in read_recordings(reader, problems.append):
                session = (recording.player, recording.session)
                for piece in self.cut(recording, self.counts[session] + 1):
                    self.counts[session] += len(piece.batch)
                    if self.alignment is not None:
                        piece.batch.table[MOUNTING_COLUMN] = self.alignment.mounting_sd_deg
                    self._count(piece.batch)
                    self.run.n_written += len(piece.batch)
                    problems.extend(piece.problems)
                    self._tell_cuts(piece.table)
                    yield piece.batch

    def _tell_cuts(self, table: pd.DataFrame) -> None:
        if len(table):
            first = not self.cuts_file.exists()
            table.to_csv(self.cuts_file, mode="w" if first else "a", header=first, index=False)

    def _checked(self, raw: RawSwings, problems: list[Problem]) -> SwingBatch:
        """The swings as recorded, without those that the reader refused, once the checks have spoken."""
        checked = check_swings(raw)
        problems.extend(checked.problems)
        problems.extend(self._repeats(raw))
        self._count(checked.batch)
        written = as_recorded(raw)
        self.run.n_written += len(written)
        return written

    def _count(self, batch: SwingBatch) -> None:
        self.run.n_swings += len(batch)
        self.run.n_sound += int((batch.table["reason"] == "").sum())
        self.run.players.update(batch.table["player"])
        self.run.findings.update(code for codes in batch.table["findings"] for code in codes)

    def _repeats(self, raw: RawSwings) -> Iterator[Problem]:
        ids = pd.DataFrame({name: raw.table[name].to_pylist() for name in ID_COLUMNS})
        for row, key in enumerate(pd.util.hash_pandas_object(ids, index=False).tolist()):
            if key in self.met:
                file, line = raw.table["file"][row].as_py(), raw.table["row"][row].as_py()
                expected = "each player, session and swing once"
                found = "another swing with these"
                yield swing_problem(file, line, list(ids.iloc[row]), "repeated-id", expected, found)
            self.met.add(key)


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
    columns |= {name: table[name].astype(float) for name in (IMPACT_COLUMN, MOUNTING_COLUMN)}
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


def _check_ours(folder: Path) -> None:
    """Raise unless a folder is empty or holds nothing but an earlier import."""
    names = {path.name for path in folder.iterdir()} if folder.is_dir() else {folder.name}
    strangers = names - _OURS
    if strangers or (names and IMPORT_FILE not in names):
        raise InputError(
            "not-a-season-folder",
            where=str(folder),
            expected="a new or empty folder, or one that holds nothing but an earlier import",
            found=shorten(", ".join(sorted(strangers or names))),
        )


def _roster_bytes(path: Path, pseudonyms: Pseudonyms | None) -> bytes:
    """The roster as it is, or with pseudonyms for names."""
    content = path.read_bytes()
    if pseudonyms is None:
        return content
    text = content.decode("utf-8-sig")
    first = text.partition("\n")[0]
    delimiter = max(",;\t", key=first.count)
    rows = [
        row for row in csv.reader(StringIO(text), delimiter=delimiter) if any(cell.strip() for cell in row)
    ]
    at = [name.strip().casefold() for name in rows[0]].index("player")
    for row in rows[1:]:
        if len(row) > at and row[at].strip():
            row[at] = pseudonyms.name(row[at].strip())
    written = StringIO()
    csv.writer(written, delimiter=delimiter, lineterminator="\n").writerows(rows)
    return written.getvalue().encode("utf-8")


def _summary(run: ImportRun, layout: Layout) -> str:
    content = {
        "program": "faultml import",
        "layout": plain(layout),
        "files": run.n_files,
        "swings": run.n_swings,
        "written": run.n_written,
        "sound": run.n_sound,
        "players": len(run.players),
        "problems": run.n_problems,
        "findings": dict(sorted(run.findings.items())),
    }
    return json.dumps(content, indent=1, ensure_ascii=False) + "\n"
