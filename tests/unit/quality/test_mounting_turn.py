"""What a swing tells of the sensor's turn about the forearm: a strong one is suspected, a straight one hardly ever."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from faultml.classifier.assess import Assessor
from faultml.classifier.bundle import load_bundle
from faultml.faults.catalogue import Catalogue
from faultml.features.table import compute_features
from faultml.motion.turn import turn
from faultml.quality.mounting import estimated_turn_deg, turn_model
from faultml.recordings.swings import SwingBatch
from faultml.synthetic.season import Recipe, draw_season


@pytest.fixture(scope="module")
def straight(catalogue: Catalogue) -> SwingBatch:
    recipe = Recipe(golfers=40, sessions=1, swings=4, seed=91, non_swing_share=0.0, mounting_scale=0.0)
    return draw_season(catalogue, recipe).batch


@pytest.fixture(scope="module")
def assessor(catalogue: Catalogue) -> Assessor:
    return Assessor(load_bundle(), catalogue)


def turned(batch: SwingBatch, turn_deg: float) -> SwingBatch:
    return replace(batch, angles_deg=turn(batch.angles_deg, turn_deg))


def test_the_estimate_follows_a_turn_and_its_uncertainty_is_what_it_says(
    straight: SwingBatch, assessor: Assessor
) -> None:
    read = {
        angle: estimated_turn_deg(assessor.assess(turned(straight, angle)).curves)
        for angle in (-12.0, 0.0, 12.0)
    }
    assert (
        np.median(read[-12.0]) < np.median(read[0.0]) - 4 and np.median(read[12.0]) > np.median(read[0.0]) + 4
    )
    errors = np.concatenate([values - angle for angle, values in read.items()])
    assert 0.7 < errors.std() / turn_model().sd_deg < 1.3


def test_a_strong_turn_is_suspected_and_a_straight_sensor_hardly_ever(
    straight: SwingBatch, assessor: Assessor
) -> None:
    def share(batch: SwingBatch) -> float:
        found = assessor.assess(batch)
        return float(np.mean(["mounting-suspected" in codes for codes in found.findings]))

    assert share(straight) < 0.06
    assert share(turned(straight, 35.0)) > 0.4
    assert share(turned(straight, 10.0)) < share(turned(straight, 35.0))


def test_what_is_suspected_widens(straight: SwingBatch, assessor: Assessor) -> None:
    batch = turned(straight, 35.0)
    found = assessor.assess(batch)
    suspected = np.array(["mounting-suspected" in codes for codes in found.findings])
    alone = np.array([codes == ("mounting-suspected",) for codes in found.findings])
    assert suspected.any() and alone.any()
    features = compute_features(assessor.catalogue, found.windows, found.landmarks, found.curves)
    plain = assessor.bundle.classifier.posterior(features.values)
    assert np.allclose(found.posterior.sd[alone], 1.4 * plain.sd[alone])
