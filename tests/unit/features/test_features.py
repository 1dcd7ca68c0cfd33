"""Features: named, finite, the catalogue's measures first, and sensitive to landmarks as the curves are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from faultml.channels import PRONATION
from faultml.classifier.assess import Assessment
from faultml.faults.catalogue import Catalogue
from faultml.faults.measure import evaluate_all
from faultml.features.table import Features, compute_features
from faultml.motion.curves import Curves
from faultml.motion.landmark_model import Landmarks
from faultml.pipelines.training.data import take_windows


@pytest.fixture(scope="module")
def features(catalogue: Catalogue, assessed: Assessment) -> Features:
    return compute_features(catalogue, assessed.windows, assessed.landmarks, assessed.curves)


def test_every_feature_is_finite_and_has_its_own_name(features: Features) -> None:
    assert features.values.shape == (len(features), len(features.names)) == (300, len(set(features.names)))
    assert np.isfinite(features.values).all()
    # Not every measure can be lacking, nor does every landmark shift it.
    may_stand = np.array([name.startswith(("lacks:", "shift_")) for name in features.names])
    assert (features.values.std(axis=0)[~may_stand] > 0).all()


def test_measures_and_guards_come_first_as_the_learner_expects(
    features: Features, catalogue: Catalogue, assessed: Assessment
) -> None:
    guarded = [fault.id for fault in catalogue.faults if fault.guard]
    first = [f"measure:{fault}" for fault in catalogue.ids] + [f"guard:{fault}" for fault in guarded]
    assert list(features.names[: len(first)]) == first
    np.testing.assert_array_equal(features.measures, evaluate_all(catalogue, assessed.curves.d_deg))
    edges = np.array([fault.edge for fault in catalogue.faults])
    as_read = np.where(np.isnan(features.measures), edges, features.measures)
    np.testing.assert_array_equal(features.values[:, :17], as_read)


def test_what_cannot_be_had_is_flagged(
    features: Features, catalogue: Catalogue, assessed: Assessment
) -> None:
    first = features.names.index("lacks:flexed_takeaway")
    np.testing.assert_array_equal(features.values[:, first : first + 17], np.isnan(features.measures))
    forearm = [column for column, fault in enumerate(catalogue.faults) if fault.needs_pronation]
    without = ~assessed.windows.has_pronation
    assert without.any() and np.isnan(features.measures[np.ix_(without, forearm)]).all()


def test_a_landmark_that_is_less_sure_moves_the_measures_more(
    features: Features, catalogue: Catalogue, assessed: Assessment
) -> None:
    surer = Landmarks(assessed.landmarks.offset_s, assessed.landmarks.sd_s / 4)
    less = compute_features(catalogue, assessed.windows, surer, assessed.curves)
    impact = catalogue.ids.index("roll_over")
    known = np.isfinite(features.measures[:, impact])
    assert np.median(less.sensitivity[known, impact]) < 0.5 * np.median(features.sensitivity[known, impact])
    np.testing.assert_array_equal(less.measures, features.measures)


def test_sensitivity_is_the_slope_of_the_curve_at_impact(catalogue: Catalogue, assessed: Assessment) -> None:
    """Flexion at impact moves by its rate times the landmark's SD, however the backswing's landmarks may err."""
    sd_s = np.zeros_like(assessed.landmarks.sd_s) + 1e-9
    sd_s[:, 2] = 0.004
    found = compute_features(
        catalogue, assessed.windows, Landmarks(assessed.landmarks.offset_s, sd_s), assessed.curves
    )
    at = assessed.landmarks.offset_s[:, [2]]
    around = assessed.windows.angles_at(np.concatenate([at - 0.004, at + 0.004], axis=1))[:, 0]
    expected = np.abs(np.diff(around, axis=1)[:, 0]) / 2
    ends_late = assessed.windows.end_s > assessed.landmarks.offset_s[:, 2] + 0.02
    flip = found.sensitivity[:, catalogue.ids.index("flip")]
    np.testing.assert_allclose(flip[ends_late], expected[ends_late], atol=1e-6)


def test_a_forearm_that_is_not_there_takes_no_part(catalogue: Catalogue, assessed: Assessment) -> None:
    """Whatever stands in its place, a swing without forearm rotation has the same features."""
    without = np.flatnonzero(~assessed.windows.has_pronation)
    windows = take_windows(assessed.windows, without)
    landmarks = Landmarks(assessed.landmarks.offset_s[without], assessed.landmarks.sd_s[without])
    read = compute_features(catalogue, windows, landmarks, Curves.read(windows, landmarks))
    assert len(read) and np.isnan(read.measures[:, [f.needs_pronation for f in catalogue.faults]]).all()
    assert (windows.angles_deg[:, PRONATION] == 0).all()


def test_features_do_not_depend_on_the_batch(
    features: Features, catalogue: Catalogue, assessed: Assessment
) -> None:
    for row in (0, 117, 299):
        windows = take_windows(assessed.windows, np.array([row]))
        landmarks = Landmarks(assessed.landmarks.offset_s[[row]], assessed.landmarks.sd_s[[row]])
        alone = compute_features(catalogue, windows, landmarks, Curves.read(windows, landmarks))
        np.testing.assert_allclose(alone.values, features.values[[row]], rtol=1e-12, atol=1e-12)


def test_a_moved_clock_moves_no_feature(
    features: Features, catalogue: Catalogue, assessed: Assessment
) -> None:
    later = replace(assessed.windows, anchor_s=assessed.windows.anchor_s + 1e5)
    again = compute_features(catalogue, later, assessed.landmarks, assessed.curves)
    np.testing.assert_array_equal(again.values, features.values)
