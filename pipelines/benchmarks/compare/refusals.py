"""What is refused: full swings that should not be, and everything else that should, as a user's recordings would be.

Recordings are written as a season and read again, so that the checks on reading count as well as the swing filter: a
dead channel is refused before any model sees it.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

import numpy as np
import pandas as pd

from faultml.classifier.assess import Assessor
from faultml.pipelines.training.comparison import GROUPS
from faultml.recordings.read import open_season
from faultml.recordings.swings import SwingBatch
from faultml.recordings.write import write_season
from faultml.synthetic.other_activities import HELD_OUT, LEARNED, draw_other_activities
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import draw_season
from faultml.synthetic.sensors import draw_recorder, record

_PER_RECORDER: Final = 25


def refused(assessor: Assessor, *, seed: int, golfers: int) -> dict[str, Any]:
    """For each of `GROUPS`: recordings, how many are refused, by kind.

    Parameters
    ----------
    golfers
        Everyday golfers, twenty recordings each, a quarter of them no swings; and as many recorders for the kinds of
        other activities of each sort.
    """
    recipe = Recipe(golfers=golfers, sessions=2, swings=10, seed=seed, non_swing_share=0.25)
    season = draw_season(assessor.catalogue, recipe)
    refusals: dict[str, Any] = {name: {} for name in GROUPS}
    for kind, reason in zip(season.truth["kind"], _reasons(assessor, season.batch), strict=True):
        _count(refusals["full" if kind == "full" else "non_swings"], str(kind), reason)
    random = np.random.default_rng([seed, 6])
    for group, kinds in (("other_activities_learned", LEARNED), ("other_activities_held_out", HELD_OUT)):
        for kind in (kinds[k % len(kinds)] for k in range(golfers)):
            for reason in _reasons(assessor, _other_activity_batch(kind, random)):
                _count(refusals[group], kind, reason)
    return refusals


def _count(into: dict[str, list[int]], kind: str, reason: str) -> None:
    counts = into.setdefault(kind, [0, 0])
    counts[0] += 1
    counts[1] += reason != ""


def _reasons(assessor: Assessor, batch: SwingBatch) -> Iterator[str]:
    """Why each recording is not assessed, "" where it is, in the order of the batch."""
    with TemporaryDirectory() as folder:
        path = Path(folder, "season.parquet")
        write_season(batch, path)
        for read in open_season([path]).batches():
            yield from assessor.assess(read).reason


def _other_activity_batch(kind: str, random: np.random.Generator) -> SwingBatch:
    """Recordings of one kind by one recorder."""
    count = _PER_RECORDER
    first, last = -random.uniform(0.3, 2.4, count), random.uniform(1.2, 4.5, count)
    angles = draw_other_activities(kind, count, random)
    recorded = record(angles, first, last, np.full(count, np.nan), draw_recorder(random), random)
    table = pd.DataFrame(
        {
            "player": "other",
            "session": kind,
            "swing": [str(k) for k in range(count)],
            **dict.fromkeys(("hand", "club", "reason"), ""),
            "context": "play",
            "impact_s": np.nan,
        }
    )
    table["shot"], table["findings"] = [()] * count, [()] * count
    n_samples = np.isfinite(recorded.t_s).sum(axis=1)
    return SwingBatch(table, recorded.t_s, recorded.angles_deg, n_samples)


def add(total: dict[str, Any], more: dict[str, Any]) -> dict[str, Any]:
    """Counts of two seeds together."""
    summed: dict[str, Any] = {}
    for group in GROUPS:
        kinds = dict.fromkeys((*total.get(group, {}), *more[group]))
        pairs = {k: (total.get(group, {}).get(k, (0, 0)), more[group].get(k, (0, 0))) for k in kinds}
        summed[group] = {k: [one[0] + other[0], one[1] + other[1]] for k, (one, other) in pairs.items()}
    return summed
