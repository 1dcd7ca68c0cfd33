"""How far a sensor's unknown turn about the forearm may move each measure, where more doubt is stated than is usual."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.faults.catalogue import Catalogue
from faultml.faults.measure import evaluate_all, evaluate_guards
from faultml.motion.curves import Curves
from faultml.motion.turn import turn
from faultml.recordings.schema import MOUNTING_COLUMN
from faultml.recordings.swings import SwingBatch
from faultml.runtime.faults import Posterior

Array = NDArray[np.float64]

TRAINED_SD_DEG: Final = 6.0
"""SD of the turn about the forearm in the recordings the model has learned from: that much is in its uncertainty."""

_STEP_DEG: Final = 1.0


def with_mounting(posterior: Posterior, catalogue: Catalogue, batch: SwingBatch, curves: Curves) -> Posterior:
    """The posterior with the stated doubt of the mounting added; as it was where none beyond training's is stated."""
    if MOUNTING_COLUMN not in batch.table:
        return posterior
    stated_deg = batch.table[MOUNTING_COLUMN].to_numpy(float)
    rows = np.flatnonzero(stated_deg > TRAINED_SD_DEG)
    if not len(rows):
        return posterior
    added_deg = np.sqrt(stated_deg[rows] ** 2 - TRAINED_SD_DEG**2)[:, None]
    slopes, guard_slopes = _slopes(catalogue, curves, rows)
    sd, guard_sd = posterior.sd.copy(), posterior.guard_sd.copy()
    sd[rows] = np.hypot(sd[rows], slopes * added_deg)
    guard_sd[rows] = np.hypot(guard_sd[rows], guard_slopes * added_deg)
    return replace(posterior, sd=sd, guard_sd=guard_sd)


def _slopes(catalogue: Catalogue, curves: Curves, rows: NDArray[np.int64]) -> tuple[Array, Array]:
    """Change of measures and guards with each degree of turn, 0 where they cannot be had."""
    address_deg = curves.address_deg[rows][:, :, None]
    absolute_deg = curves.d_deg[rows] + address_deg
    read = [turn(absolute_deg, step) - turn(address_deg, step) for step in (_STEP_DEG, -_STEP_DEG)]
    return (
        np.nan_to_num(evaluate_all(catalogue, read[0]) - evaluate_all(catalogue, read[1])) / (2 * _STEP_DEG),
        np.nan_to_num(evaluate_guards(catalogue, read[0]) - evaluate_guards(catalogue, read[1]))
        / (2 * _STEP_DEG),
    )
