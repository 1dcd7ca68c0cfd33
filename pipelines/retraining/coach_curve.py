"""How much one coach's verdicts have taught: log loss on golfers held out, by the number of golfers learned from."""

from __future__ import annotations

from typing import Final

import numpy as np

from faultml.faults.catalogue import Catalogue
from faultml.pipelines.retraining.cross_validation import held_out_chances
from faultml.pipelines.retraining.evidence import FOLDS
from faultml.pipelines.retraining.labelled import Labelled, log_losses
from faultml.runtime.faults import FaultModel

MIN_GOLFERS: Final = 10
_SHARES: Final = (0.25, 0.5, 1.0)


def coach_curve(catalogue: Catalogue, classifier: FaultModel, labelled: Labelled) -> list[dict[str, float]]:
    """Points of the curve, ``golfers, default, adapted``; none where golfers are too few to hold any out.

    A point of fewer golfers rests on fewer answers too, as it is measured on those very golfers.
    """
    names = np.random.default_rng(0).permutation(np.unique(labelled.golfers))
    if len(names) < MIN_GOLFERS:
        return []
    points = []
    for share in _SHARES:
        some = labelled.rows(np.isin(labelled.golfers, names[: max(FOLDS, round(share * len(names)))]))
        answers = np.where(some.known, some.answers, np.nan)
        plain, own = held_out_chances(catalogue, classifier, some)
        losses = [float(np.nanmean(log_losses(answers, chances))) for chances in (plain, own)]
        golfers = round(len(np.unique(some.golfers)) * (1 - 1 / FOLDS))
        points.append({"golfers": golfers, "default": losses[0], "adapted": losses[1]})
    return points
