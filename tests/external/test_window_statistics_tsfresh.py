"""The window statistics that serve at run time equal tsfresh's calculators, to 1e-6 relative (MIT-licensed library)."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from faultml.channels import CHANNELS
from faultml.faults.catalogue import Catalogue
from faultml.faults.measure import PHASE_GRID
from faultml.features.table import compute_features
from faultml.motion.curves import Curves
from faultml.motion.landmark_model import Landmarks
from faultml.motion.window import make_windows
from faultml.synthetic.season import Recipe, draw_season

calculators = pytest.importorskip("tsfresh.feature_extraction.feature_calculators")

EDGES = (0.0, 0.34, 0.66, 1.0, 1.34, 1.66, 2.0, 2.4)
SAME = {
    "mean": calculators.mean,
    "sd": calculators.standard_deviation,
    "min": calculators.minimum,
    "max": calculators.maximum,
}


def test_every_window_statistic(catalogue: Catalogue) -> None:
    season = draw_season(catalogue, Recipe(golfers=3, sessions=1, swings=8, seed=5, non_swing_share=0.0))
    windows = make_windows(season.batch)
    times = season.truth[["takeaway_s", "top_s", "impact_s", "finish_s"]].to_numpy(float)
    landmarks = Landmarks(times - windows.anchor_s[:, None], np.full(times.shape, 0.01))
    curves = Curves.read(windows, landmarks)
    features = compute_features(catalogue, windows, landmarks, curves)
    column = {name: k for k, name in enumerate(features.names)}
    checked = 0
    for first, last in pairwise(EDGES):
        part = (first - 1e-9 <= PHASE_GRID) & (last + 1e-9 >= PHASE_GRID)
        for c, channel in enumerate(CHANNELS):
            for name, calculate in SAME.items():
                served = features.values[:, column[f"window:{channel}_{name}@{first:.2f}"]]
                wanted = [calculate(np.nan_to_num(swing[c, part])) for swing in curves.d_deg]
                np.testing.assert_allclose(served, wanted, rtol=1e-6, atol=1e-9)
                checked += 1
    assert checked == 7 * 3 * 4 == sum(name.startswith("window:") for name in features.names)
