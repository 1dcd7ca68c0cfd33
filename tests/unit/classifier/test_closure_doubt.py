"""The closure budget's doubt grows with the landmarks' and never falls below the recorder's."""

from __future__ import annotations

import numpy as np
import pytest

from faultml.channels import CHANNELS, LANDMARKS, ULNAR
from faultml.classifier.bundle import Bundle
from faultml.classifier.closure_doubt import RECORDER_BEND_SD_DEG, SHAFT_ANGLE_SD_DEG, closure_sd
from faultml.faults.catalogue import Catalogue
from faultml.motion.closure import closure_budget
from faultml.motion.curves import Curves
from faultml.motion.landmark_model import Landmarks
from faultml.motion.window import Windows, make_windows
from faultml.runtime.faults import INTERVAL_Z
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
    assert (sure[0] >= RECORDER_BEND_SD_DEG)[np.isfinite(sure[0])].all()
    assert (sure[1][np.isfinite(sure[1])] >= 1).all()
    # 20 ms about impact move roll from one phase to the next; the total hardly knows of it.
    assert np.nanmedian(unsure[1][:, 1]) > np.nanmedian(sure[1][:, 1]) + 0.5


@pytest.mark.parametrize("marked", [True, False], ids=["marked", "not marked"])
def test_nine_intervals_of_ten_hold_the_truth(catalogue: Catalogue, bundle: Bundle, marked: bool) -> None:
    """Of generated golfers (synthetic) whose grip is as unknown as it is said to be."""
    season = draw_season(catalogue, Recipe(golfers=40, sessions=1, swings=6, seed=77, non_swing_share=0.0))
    truth = season.truth
    windows = make_windows(season.batch)
    offset_s = truth[[f"{name}_s" for name in LANDMARKS]].to_numpy(float) - windows.anchor_s[:, None]
    mark_s = offset_s[:, LANDMARKS.index("impact")] if marked else np.full(len(truth), np.nan)
    windows = Windows(**vars(windows) | {"mark_s": mark_s})
    landmarks = bundle.detector.predict(windows)
    curves = Curves.read(windows, landmarks)
    reported = closure_budget(curves.d_deg, curves.address_deg)
    sds = closure_sd(windows, landmarks, curves, reported)
    address = truth[[f"address_{name}" for name in CHANNELS]].to_numpy(float)
    random, golfer = np.random.default_rng(1), np.unique(truth["player"], return_inverse=True)[1]
    held = []
    for _ in range(20):
        # Another grip is another ulnar deviation throughout: k = k0 - D ulnar.
        grip = random.normal(0, SHAFT_ANGLE_SD_DEG, golfer.max() + 1)[golfer]
        d_deg, at = season.phase_deg.copy(), address.copy()
        d_deg[:, ULNAR] -= grip[:, None]
        at[:, ULNAR] += grip
        true = closure_budget(d_deg, at)
        off = (
            reported.bend_deg - true.bend_deg,
            reported.roll_deg - true.roll_deg,
            (reported.total_deg - true.total_deg).sum(axis=1),
        )
        inside = [np.abs(error) <= INTERVAL_Z * sd for error, sd in zip(off, sds, strict=True)]
        known = [np.isfinite(error) for error in off]
        held.append(
            [np.average(part, axis=0, weights=seen) for part, seen in zip(inside, known, strict=True)]
        )
    bend, roll, total = (np.mean([each[part] for each in held], axis=0) for part in range(3))
    for covered in (*bend, *roll, total):
        assert 0.85 <= covered <= 0.965
    assert np.mean([*bend, *roll, total]) == pytest.approx(0.93, abs=0.025)
