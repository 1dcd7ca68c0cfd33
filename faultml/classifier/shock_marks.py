"""A shock far from where the motion puts the impact is no contact: a knock, or the ground."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from faultml.classifier.steps import DetectorStep
from faultml.motion.landmark_model import IMPACT
from faultml.motion.window import Windows
from faultml.recordings.schema import IMPACT_FROM_COLUMN
from faultml.recordings.swings import SwingBatch

FAR_S: Final = 0.08
FAR_SDS: Final = 4.0
"""A shock further than both from the impact inferred without it is left aside (synthetic: one contact in 1,000)."""


def without_far_shocks(batch: SwingBatch, windows: Windows, detector: DetectorStep) -> Windows:
    """The windows without the marks of shocks that lie far from the impact as inferred; other marks stay."""
    if IMPACT_FROM_COLUMN not in batch.table:
        return windows
    rows = np.flatnonzero(windows.marked & (batch.table[IMPACT_FROM_COLUMN] == "shock").to_numpy(bool))
    if not len(rows):
        return windows
    some = Windows(**{name: value[rows] for name, value in vars(windows).items()})
    found = detector.predict(replace(some, mark_s=np.full(len(rows), np.nan)))
    off_s = np.abs(found.offset_s[:, IMPACT] - some.mark_s)
    mark_s = windows.mark_s.copy()
    mark_s[rows[off_s > np.maximum(FAR_S, FAR_SDS * found.sd_s[:, IMPACT])]] = np.nan
    return replace(windows, mark_s=mark_s)
