"""The closure budget's doubt grows with the landmarks' and never falls below the recorder's."""

from __future__ import annotations

import numpy as np

from faultml.classifier.closure_doubt import RECORDER_BEND_SD_DEG, RECORDER_ROLL_SD_DEG, closure_sd
from faultml.faults.catalogue import Catalogue
from faultml.motion.closure import closure_budget
from faultml.motion.curves import Curves
from faultml.motion.landmarks import Landmarks
from faultml.motion.window import make_windows
from faultml.synthetic.season import Recipe, draw_season


def test_doubt_grows_with_the_landmarks_and_has_a_floor(catalogue: Catalogue) -> None:
    season = draw_season(catalogue, Recipe(golfers=4, sessions=1, swings=5, seed=8, non_swing_share=0.0))
    windows = make_windows(season.batch)
    times = season.truth[["takeaway_s", "top_s", "impact_s", "finish_s"]].to_numpy(float)
    offset_s = times - windows.anchor_s[:, None]

    def doubt(sd_s: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        landmarks = Landmarks(offset_s, np.full(offset_s.shape, sd_s))
        curves = Curves.read(windows, landmarks)
        return closure_sd(windows, landmarks, curves, closure_budget(curves.d_deg, curves.address_deg))

    sure, unsure = doubt(0.0), doubt(0.02)
    for less, more in zip(sure, unsure, strict=True):
        known = np.isfinite(less) & np.isfinite(more)
        assert known.any() and (more[known] >= less[known] - 1e-9).all()
    assert (sure[0][np.isfinite(sure[0])] >= RECORDER_BEND_SD_DEG).all()
    assert (sure[1][np.isfinite(sure[1])] >= RECORDER_ROLL_SD_DEG).all()
    # 20 ms about impact move roll from one phase to the next; the total hardly knows of it.
    assert np.nanmedian(unsure[1][:, 1]) > np.nanmedian(sure[1][:, 1]) + 0.5
