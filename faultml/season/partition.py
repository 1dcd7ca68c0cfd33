"""One partition: a fragment of a season in, part files and sums out. Nothing else is read, kept or shared."""

from __future__ import annotations

import hashlib
import secrets
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Final

import msgspec
import pandas as pd

from faultml.channels import CHANNELS, ID_COLUMNS
from faultml.classifier.assess import Assessor
from faultml.classifier.timing import detector_of
from faultml.coaching.rules import load_coaching
from faultml.exact import RunningTables
from faultml.quality.watch import Tally
from faultml.recordings.corrections import NOTHING_CORRECTED, Corrections, corrected
from faultml.recordings.digests import file_digest, fragment_digest
from faultml.recordings.fragments import Fragment
from faultml.recordings.problems import Problem, problems_frame
from faultml.recordings.read import DEFAULT_BATCH_SIZE, read_fragment, read_refused
from faultml.recordings.repeats import Repeats
from faultml.recordings.swings import SwingBatch
from faultml.results.columns import FAULTS, PROBLEMS, SWINGS
from faultml.results.tables import Schema, TableFormat, TableWriter
from faultml.season.batch import COLUMNS, BatchTables, assess_batch, bounded_curves
from faultml.season.inputs import repeats_digest, versions_of
from faultml.season.parts import (
    CURVES_FILE,
    PART_FILE,
    WATCH_FILE,
    Partition,
    find_part,
    new_part,
    write_sums,
)
from faultml.season.watched import encode_tally

LOST: Final = "partition-lost"
"""Reason of the swings of a partition that could not be assessed, and code of its problem."""

CURVES: Schema = {
    **dict.fromkeys((*ID_COLUMNS, "club"), "text"),
    "shot": "words",
    **dict.fromkeys(("phase", *CHANNELS), "numbers"),
    "order": "whole",
}


def assess_partition(
    fragment: Fragment,
    out: str | Path,
    *,
    assessor: Assessor,
    repeats: Repeats,
    buckets: Sequence[str] = (),
    table_format: TableFormat = "parquet",
    corrections: Corrections = NOTHING_CORRECTED,
    batch_size: int = DEFAULT_BATCH_SIZE,
    on_batch: Callable[[BatchTables], None] | None = None,
) -> Partition:
    """Assess one fragment of a season and leave its tables and sums as a part.

    `faultml.classify_season` calls this for every fragment, in one process or in many, on one machine or on several.
    It has no state of its own: the same arguments leave the same part, in any order and anywhere.

    ::

        season = faultml.open_season([Path("season")])
        assessor = faultml.Assessor(faultml.load_bundle(), faultml.load_catalogue())
        for fragment in season.fragments():
            part = faultml.assess_partition(fragment, "parts/", assessor=assessor, repeats=season.repeats)
            print(part.place, part.n_assessed, part.sums(Path("parts"))["sessions"])

    Parameters
    ----------
    fragment
        Of `Season.fragments`: rows of Parquet files, or blocks of CSV files.
    out
        The folder of parts, made where it is not there. A part of the same content, rows and options is not made again
        if every file of it has the hash it was written with.
    assessor
        Model, catalogue and share of wrong flags.
    repeats
        `Season.repeats`: swings whose ids stand more than once, wherever in the season.
    buckets
        Sorted names that divide the players into buckets; see `Partition.bucket_rows`.
    table_format
        ``parquet`` or ``csv``.
    corrections
        What coaches have corrected in the season.
    batch_size
        Swings that are held in memory at a time.
    on_batch
        Called with the tables of each batch, in order.

    Returns
    -------
    Partition
        Its counts and the hashes of its files; `Partition.sums` reads its sums, 64-bit integers that add up to the same
        in any order.

    Raises
    ------
    InputError
        ``sum-overflow``. What is wrong with files and swings is no error: it is in the part's problems.
    OSError
        Where the part cannot be written.
    """
    out = Path(out)
    part_id = _part_id(fragment, assessor, repeats, buckets, table_format, corrections)
    done = find_part(out, part_id)
    if done is not None:
        return done
    with new_part(out, part_id) as folder:
        noticed: list[Problem] = []
        unread: list[Problem] = []
        batches = read_fragment(fragment, repeats, noticed.append, unread.append, batch_size)
        part = _PartWriter(folder, assessor, table_format)
        detector = detector_of(assessor) if corrections.timings else ""
        part.write((corrected(batch, corrections, detector) for batch in batches), on_batch)
        made = part.finish(part_id, fragment, buckets, [*noticed, *part.problems], unread)
    return made


def refuse_partition(
    fragment: Fragment,
    out: Path,
    *,
    assessor: Assessor,
    repeats: Repeats,
    buckets: Sequence[str],
    table_format: TableFormat,
    batch_size: int,
) -> Partition:
    """Leave a part in which every swing of a fragment is not assessed, with the reason ``partition-lost``.

    Only ids are read, and nothing is asked of the model. Parameters as in `assess_partition`.

    Raises
    ------
    InputError, OSError
        Where the ids cannot be read, or the part not written.
    """
    # Another name each time, so that no later run takes it for a part that was assessed.
    part_id = secrets.token_hex(32)
    with new_part(out, part_id) as folder:
        part = _PartWriter(folder, assessor, table_format)
        part.write(read_refused(fragment, repeats, LOST, batch_size), None)
        made = part.finish(part_id, fragment, buckets, [], [])
    return made


def _part_id(
    fragment: Fragment,
    assessor: Assessor,
    repeats: Repeats,
    buckets: Sequence[str],
    table_format: TableFormat,
    corrections: Corrections,
) -> str:
    options = [
        versions_of(assessor.bundle, assessor.catalogue),
        assessor.false_share,
        assessor.token,
        repeats_digest(repeats),
        sorted(repeats.alike),
        tuple(buckets),
        table_format,
        corrections,
    ]
    return hashlib.sha256(msgspec.json.encode([fragment_digest(fragment), options])).hexdigest()


class _PartWriter:
    """Writes the files of a part, batch by batch.

    Attributes
    ----------
    problems
        What the motion shows, so far.
    """

    def __init__(self, folder: Path, assessor: Assessor, table_format: TableFormat) -> None:
        self.problems: list[Problem] = []
        self._folder = folder
        self._assessor = assessor
        self._running, self._watched = RunningTables(COLUMNS), Tally()
        self._curves: list[pd.DataFrame] = []
        self._swings = TableWriter(folder / f"swings.{table_format}", SWINGS)
        self._faults = TableWriter(folder / f"faults.{table_format}", FAULTS)
        self._n_assessed = 0

    def write(self, batches: Iterable[SwingBatch], on_batch: Callable[[BatchTables], None] | None) -> None:
        """Assess every batch and write its tables."""
        coaching = load_coaching(self._assessor.catalogue)
        try:
            for batch in batches:
                tables = assess_batch(self._assessor, coaching, batch)
                self._swings.append(tables.swings)
                self._faults.append(tables.faults)
                self.problems += tables.problems
                self._running.add(tables.sums)
                self._watched.add(tables.watched)
                self._curves = [bounded_curves([*self._curves, tables.curves])]
                self._n_assessed += int(tables.swings["assessed"].sum())
                if on_batch:
                    on_batch(tables)
        finally:
            self._swings.close()
            self._faults.close()

    def finish(
        self,
        part_id: str,
        fragment: Fragment,
        buckets: Sequence[str],
        noticed: Sequence[Problem],
        unread: Sequence[Problem],
    ) -> Partition:
        """Write what is known at the end, and the part's record."""
        problems = _in_order(noticed, fragment)
        _write(self._folder / "problems.csv", PROBLEMS, problems_frame(problems))
        if self._curves and len(self._curves[0]):
            _write(self._folder / CURVES_FILE, CURVES, self._curves[0])
        (self._folder / WATCH_FILE).write_bytes(encode_tally(self._watched))
        ends = write_sums(self._folder, self._running.total(), buckets)
        counts = Counter((each.code, each.file) for each in problems)
        part = Partition(
            id=part_id,
            place=fragment.place,
            n_swings=self._swings.n_rows,
            n_assessed=self._n_assessed,
            n_problems=len(problems),
            rows={
                "swings": self._swings.n_rows,
                "faults": self._faults.n_rows,
                "problems": len(problems),
            },
            problems=tuple((*key, n) for key, n in counts.items()),
            unread=tuple(unread),
            bucket_rows=ends,
            files={each.name: file_digest(each) for each in sorted(self._folder.iterdir())},
        )
        (self._folder / PART_FILE).write_bytes(msgspec.json.encode(part))
        return part


def _in_order(problems: Sequence[Problem], fragment: Fragment) -> list[Problem]:
    """By file and row, whatever the batches: of one row, what reading noticed before what the motion shows."""
    places = {path: at for at, path in enumerate(dict.fromkeys(piece.path for piece in fragment.pieces))}
    return sorted(problems, key=lambda each: (places.get(each.file, -1), each.row))


def _write(path: Path, schema: Schema, frame: pd.DataFrame) -> None:
    writer = TableWriter(path, schema)
    try:
        writer.append(frame)
    finally:
        writer.close()
