"""Every table of one batch of swings, and its sums."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
import pyarrow as pa

from faultml.channels import ID_COLUMNS
from faultml.classifier.assess import Assessment, Assessor
from faultml.classifier.tables import curves_frame, faults_frame, swings_frame
from faultml.coaching import as_found, closures, summary
from faultml.coaching.closures import sum_closures
from faultml.coaching.met import count_met
from faultml.coaching.rules import Coaching
from faultml.coaching.summary import sum_up
from faultml.exact import Columns
from faultml.quality import drift
from faultml.quality.drift import sum_address
from faultml.quality.notice import motion_problems
from faultml.quality.watch import Tally, tally
from faultml.recordings.corrections import without_landmarks
from faultml.recordings.problems import Problem
from faultml.recordings.swings import SwingBatch

CURVES_PER_PLAYER: Final = 12
CURVES_IN_ALL: Final = 3000

COLUMNS: Final[dict[str, Columns]] = {
    **summary.COLUMNS,
    "address": drift.COLUMNS,
    "closures": closures.COLUMNS,
    as_found.NAME: as_found.COLUMNS,
}
"""The tables of a season's sums; the first key of each is the player."""


@dataclass(frozen=True)
class BatchTables:
    """What one batch leaves; text of `faults` is coded as categories, `sums` has the tables of `COLUMNS`."""

    swings: pd.DataFrame
    faults: pd.DataFrame
    curves: pd.DataFrame
    sums: dict[str, pa.Table]
    problems: list[Problem]
    watched: Tally


def assess_batch(assessor: Assessor, coaching: Coaching, batch: SwingBatch) -> BatchTables:
    """Every table of one batch; its problems are those that the motion shows."""
    assessment = assessor.assess(batch)
    swings = swings_frame(assessment)
    faults = faults_frame(assessor, assessment, coded=True)
    order = _id_order(swings)
    chosen = pd.DataFrame({"player": swings["player"], "order": order})[assessment.assessed]
    rows = chosen.sort_values("order").groupby("player", sort=False).head(CURVES_PER_PLAYER).index.to_numpy()
    curves = curves_frame(assessment, rows).assign(order=order[rows])
    sums = sum_up(swings, faults, assessor.catalogue, _windows_met(coaching, assessment, swings, faults))
    sums |= {"address": sum_address(swings), "closures": sum_closures(swings)}
    sums |= {as_found.NAME: _as_found(assessor, assessment, swings, faults)}
    return BatchTables(
        swings,
        faults,
        curves,
        sums,
        motion_problems(batch, assessment.findings),
        _watched(assessor, assessment),
    )


def _as_found(
    assessor: Assessor, assessment: Assessment, swings: pd.DataFrame, faults: pd.DataFrame
) -> pa.Table:
    """What the sums of the swings with a moved landmark gain where their landmarks are as found."""
    rows = np.flatnonzero(assessment.by_coach.any(axis=1))
    if not len(rows):
        return as_found.COLUMNS.empty()
    n_faults = len(assessor.catalogue.ids)
    of_rows = (rows[:, None] * n_faults + np.arange(n_faults)).ravel()
    plain = assessor.assess(without_landmarks(assessment.batch, rows))
    found = sum_up(swings_frame(plain), faults_frame(assessor, plain), assessor.catalogue)
    moved = sum_up(
        swings.iloc[rows].reset_index(drop=True),
        faults.iloc[of_rows].reset_index(drop=True),
        assessor.catalogue,
    )
    return as_found.difference(moved["faults"], found["faults"])


def bounded_curves(parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Of the curves of one part or several, those that are drawn: the first of each player, and in all."""
    filled = [part for part in parts if len(part)] or parts[:1]
    ordered = pd.concat(filled, ignore_index=True).sort_values("order", kind="stable")
    return ordered.groupby("player", sort=False).head(CURVES_PER_PLAYER).head(CURVES_IN_ALL)


def _windows_met(
    coaching: Coaching, assessment: Assessment, swings: pd.DataFrame, faults: pd.DataFrame
) -> pa.Table:
    """How many flagged swings meet each window, practice with feedback left out."""
    flagged = faults["flagged"].to_numpy(bool).reshape(len(swings), -1)
    counts = assessment.assessed & (swings["context"] != "practice").to_numpy(bool)
    players = swings["player"].to_numpy(object)
    return count_met(players, flagged & counts[:, None], assessment.edges, assessment.curves.d_deg, coaching)


def _watched(assessor: Assessor, assessment: Assessment) -> Tally:
    """Histograms of the assessed swings' features."""
    features, assessed = assessment.features, assessment.assessed
    players = assessment.batch.table["player"].to_numpy(object)[assessed]
    return tally(assessor.bundle.reference, features.names, features.values[assessed], players)


def _id_order(swings: pd.DataFrame) -> np.ndarray:
    """A number for each swing that depends on its ids alone: which curves are drawn does not depend on batches."""
    hashes = pd.util.hash_pandas_object(swings[list(ID_COLUMNS)], index=False).to_numpy()
    return (hashes >> np.uint64(1)).astype(np.int64)
