"""Learn golfers' timing from the marked swings of a season."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from faultml.channels import ID_COLUMNS
from faultml.classifier.assess import INFERRED, TIMING, Assessment, Assessor
from faultml.classifier.timing import detector_digest
from faultml.labels.timing import MarkedSwing, golfer_timings, keep_marked
from faultml.motion.landmark_model import IMPACT
from faultml.motion.window import make_windows
from faultml.recordings.corrections import GolferTiming, recorder_kinds, with_landmarks
from faultml.recordings.swings import SwingBatch
from faultml.season.corrections import open_corrected, read_corrections
from faultml.season.inputs import ModelSource
from faultml.store import open_store, store_path

MAX_OFF_S: Final = 0.08
"""A mark further from the inferred impact than this is none to learn from; practice, no source."""


@dataclass(frozen=True)
class LearnedTiming:
    """What a season has left: marked swings kept, swings without a mark, and every golfer's timing in the store now."""

    n_marked: int
    n_unmarked: int
    timings: tuple[GolferTiming, ...]


def learn_timing(
    season: str | Path | Sequence[str | Path],
    *,
    store: str | Path | None = None,
    source: ModelSource | None = None,
) -> LearnedTiming:
    """Keep by how much the marks of a season come after the inferred impact, for each of its marked swings.

    What was kept of its sessions is replaced. The timing of golfers with enough of them enters later runs of
    `faultml.classify_season` with this store: it is frozen before a season is assessed, and never used on a swing it
    was learned from.

    Parameters
    ----------
    season
        A Parquet file or folder, a long CSV file or a folder of them, or several; ``marks.csv`` beside it is read.
    store
        The coach's store, by default the one at its usual place; made where there is none.
    source
        Where the model comes from; the package's own where not given.
    """
    assessor = Assessor(*(source or ModelSource()).load())
    place = store_path(store)
    open_store(place).close()
    paths = [season] if isinstance(season, str | Path) else season
    corrections = msgspec.structs.replace(read_corrections(place), timings=())
    opened = open_corrected([Path(path) for path in paths], place, corrections)
    moved = (*opened.marks, *corrections.landmarks)
    marked: list[MarkedSwing] = []
    sessions: set[tuple[str, str]] = set()
    n_unmarked = 0
    for batch in opened.batches():
        found, others = _marked(assessor, with_landmarks(batch, moved))
        marked += found
        n_unmarked += others
        sessions |= set(batch.table[["player", "session"]].itertuples(index=False, name=None))
    with open_store(place) as kept:
        n_marked = keep_marked(kept, sessions, marked)
        return LearnedTiming(n_marked, n_unmarked, golfer_timings(kept))


def _marked(assessor: Assessor, batch: SwingBatch) -> tuple[list[MarkedSwing], int]:
    """The assessed swings of a batch that have a mark, and how many have none."""
    found = assessor.assess(batch)
    placed_by = found.impact_from
    has = found.assessed & (placed_by != INFERRED) & (placed_by != TIMING)
    windows = make_windows(batch)
    free = assessor.detector.predict(replace(windows, mark_s=np.full(len(windows), np.nan)))
    off_s = found.landmarks.offset_s[:, IMPACT] - free.offset_s[:, IMPACT]
    used = has & (np.abs(off_s) <= MAX_OFF_S)
    return list(_rows(assessor, found, off_s, used)), int((found.assessed & ~has).sum())


def _rows(
    assessor: Assessor, found: Assessment, off_s: NDArray[np.float64], used: NDArray[np.bool_]
) -> Iterator[MarkedSwing]:
    table, kinds = found.batch.table, recorder_kinds(found.batch)
    detector = detector_digest(assessor.bundle.detector)
    for row in np.flatnonzero(used):
        player, session, swing = (str(table[name].iloc[row]) for name in ID_COLUMNS)
        yield MarkedSwing(
            player=player,
            session=session,
            swing=swing,
            club=str(table["club"].iloc[row]),
            recorder=kinds[row],
            detector=detector,
            off_s=float(off_s[row]),
            sd_s=float(found.landmarks.sd_s[row, IMPACT]),
            placed_by=str(found.impact_from[row]),
        )
