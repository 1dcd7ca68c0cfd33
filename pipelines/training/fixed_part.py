"""A small fixed part of a model's tables, cheap to compute again: so that a card's figures cannot go stale unseen."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from sklearn.metrics import log_loss

from faultml.channels import LANDMARKS
from faultml.faults.catalogue import Catalogue
from faultml.motion.landmark_model import LandmarkModel
from faultml.pipelines.training.data import draw
from faultml.pipelines.training.evaluate import features_of, seen_measures, with_marks
from faultml.runtime.faults import FaultModel
from faultml.runtime.swing_filter import SwingFilterModel
from faultml.synthetic.coach import Coach
from faultml.synthetic.recipe import Recipe

TOLERANCE: Final = 0.02
"""Relative: other processors round otherwise, and a landmark may fall on the other side of an edge."""

_RECIPE: Final = Recipe(golfers=10, sessions=2, swings=8, seed=7_000_001, non_swing_share=0.2)


def fixed_part(
    catalogue: Catalogue, detector: LandmarkModel, swing_filter: SwingFilterModel, classifier: FaultModel
) -> dict[str, dict[str, float]]:
    """Figures of 160 recordings that are always the same, contact marked and not."""
    drawn = draw(catalogue, _RECIPE, jobs=1)
    return {
        name: _figures(catalogue, detector, swing_filter, classifier, with_marks(drawn, marked))
        for name, marked in (("contact_marked", True), ("contact_not_marked", False))
    }


def _figures(
    catalogue: Catalogue,
    detector: LandmarkModel,
    swing_filter: SwingFilterModel,
    classifier: FaultModel,
    drawn: Any,
) -> dict[str, float]:
    features, landmarks = features_of(catalogue, detector, drawn)
    full = drawn.full
    passed = swing_filter.predict(features.values)
    error_ms = np.abs(landmarks.offset_s - drawn.offset_s)[full] * 1000
    chance = classifier.predict_proba(features.values)[full]
    measures = np.where(np.isnan(features.measures), np.nan, seen_measures(catalogue, drawn))
    oracle = Coach.careful(catalogue).chance_of_yes(catalogue, measures, drawn.guards(catalogue))[full]
    known = np.isfinite(oracle) & np.isfinite(chance)
    figures = {f"{name}_ms": float(error_ms[:, k].mean()) for k, name in enumerate(LANDMARKS)}
    figures |= {
        "good_assessed": float(passed[full].mean()),
        "others_refused": float((~passed[~full]).mean()),
        "mean_probability": float(chance[known].mean()),
        "log_loss": float(log_loss(oracle[known] > 0.5, chance[known], labels=[False, True])),
    }
    return {name: round(value, 6) for name, value in figures.items()}
