"""The steps of an assessment keep their contracts, and any that do can be put in the place of the bundle's own."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from sklearn.linear_model import LogisticRegression
from sklearn.multioutput import MultiOutputClassifier
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler

import faultml
from faultml.classifier.assess import Assessment, Assessor
from faultml.classifier.bundle import Bundle
from faultml.classifier.own_probabilities import OwnProbabilities
from faultml.classifier.steps import ClassifierStep, DetectorStep, FeatureStep, FilterStep
from faultml.errors import BundleError, InputError
from faultml.faults.catalogue import Catalogue, load_catalogue
from faultml.features.table import Features, compute_features
from faultml.motion.curves import Curves
from faultml.motion.landmark_model import Landmarks
from faultml.motion.window import Windows
from faultml.runtime.faults import FaultModel
from faultml.synthetic.season import SyntheticSeason

Array = NDArray[np.float64]


@dataclass(frozen=True)
class LaterTop:
    """The bundle's landmarks with the top 10 ms later."""

    model: DetectorStep

    def predict(self, windows: Windows) -> Landmarks:
        found = self.model.predict(windows)
        return Landmarks(found.offset_s + np.array([0.0, 0.01, 0.0, 0.0]), found.sd_s)


@dataclass(frozen=True)
class LetsPass:
    """Takes everything for a full swing."""

    def predict(self, rows: Array) -> NDArray[np.bool_]:
        return np.ones(len(rows), dtype=bool)


@dataclass(frozen=True)
class Plain:
    """One chance for every swing."""

    chance: float
    n_faults: int

    def predict_proba(self, rows: Array) -> Array:
        return np.full((len(rows), self.n_faults), self.chance)


def measured(catalogue: Catalogue, windows: Windows, landmarks: Landmarks, curves: Curves) -> Features:
    """The bundle's features, computed by a function of one's own."""
    return compute_features(catalogue, windows, landmarks, curves)


@pytest.fixture(scope="module")
def learned(assessed: Assessment, generated: SyntheticSeason, bundle: Bundle) -> OwnProbabilities:
    """A pipeline of scikit-learn's, fitted to what is true of the generated swings."""
    measures = generated.truth[[f"measure_{fault}" for fault in bundle.manifest.faults]].to_numpy(float)
    past = bundle.classifier.signs * (measures - bundle.classifier.edges) > 0
    kept = assessed.assessed & np.isfinite(measures).all(axis=1)
    enough = (past[kept].sum(axis=0) >= 5) & ((~past[kept]).sum(axis=0) >= 5)
    labels = np.where(enough, past, np.arange(len(past))[:, None] % 2 == 0)
    own = make_pipeline(StandardScaler(), MultiOutputClassifier(LogisticRegression(max_iter=200)))
    own.fit(assessed.features.values[kept], labels[kept])
    return OwnProbabilities(own, bundle.classifier, enough)


DETECTORS = {"default": lambda bundle: bundle.detector, "own": lambda bundle: LaterTop(bundle.detector)}
FILTERS = {"default": lambda bundle: bundle.swing_filter, "own": lambda bundle: LetsPass()}
FEATURES = {"default": compute_features, "own": measured}


@pytest.mark.parametrize("which", DETECTORS)
def test_a_detector_answers_for_each_swing_alone(which: str, bundle: Bundle, assessed: Assessment) -> None:
    step: DetectorStep = DETECTORS[which](bundle)
    windows = assessed.windows
    whole = step.predict(windows)
    assert whole.offset_s.shape == whole.sd_s.shape == (len(windows), 4)
    assert np.isfinite(whole.offset_s).all() and (whole.sd_s > 0).all()
    assert (np.diff(whole.offset_s, axis=1) > 0).all(), "takeaway, top, impact, finish"
    some = Windows(**{name: getattr(windows, name)[5:8] for name in Windows.__dataclass_fields__})
    np.testing.assert_array_equal(step.predict(some).offset_s, whole.offset_s[5:8])


@pytest.mark.parametrize("which", FEATURES)
def test_features_are_finite_and_of_each_swing_alone(
    which: str, catalogue: Catalogue, assessed: Assessment
) -> None:
    step: FeatureStep = FEATURES[which]
    windows, landmarks = assessed.windows, assessed.landmarks
    whole = step(catalogue, windows, landmarks, assessed.curves)
    assert whole.values.shape == (len(windows), len(whole.names)) and np.isfinite(whole.values).all()
    assert whole.measures.shape == (len(windows), len(catalogue.ids))
    some = Windows(**{name: getattr(windows, name)[5:8] for name in Windows.__dataclass_fields__})
    there = Landmarks(landmarks.offset_s[5:8], landmarks.sd_s[5:8])
    again = step(catalogue, some, there, Curves.read(some, there))
    np.testing.assert_array_equal(again.values, whole.values[5:8])


@pytest.mark.parametrize("which", FILTERS)
def test_a_filter_says_yes_or_no_to_each_swing_alone(
    which: str, bundle: Bundle, assessed: Assessment
) -> None:
    step: FilterStep = FILTERS[which](bundle)
    rows = assessed.features.values
    passes = step.predict(rows)
    assert passes.shape == (len(rows),) and passes.dtype == bool
    np.testing.assert_array_equal(step.predict(rows[5:8]), passes[5:8])


@pytest.mark.parametrize("which", ["default", "own"])
def test_a_classifier_gives_probabilities_of_each_swing_alone(
    which: str, bundle: Bundle, assessed: Assessment, learned: OwnProbabilities
) -> None:
    step: ClassifierStep = bundle.classifier if which == "default" else learned
    rows = assessed.features.values
    posterior = step.posterior(rows)
    edges = np.broadcast_to(bundle.classifier.edges, posterior.mean.shape)
    chance = step.predict_proba(rows, edges, posterior)
    assert step.learned.shape == (len(bundle.manifest.faults),)
    assert chance.shape == posterior.mean.shape == posterior.sd.shape
    assert ((chance >= 0) & (chance <= 1)).all() and (posterior.sd > 0).all()
    np.testing.assert_allclose(step.predict_proba(rows), chance, atol=1e-12)
    np.testing.assert_allclose(step.predict_proba(rows[5:8]), chance[5:8], atol=1e-12)


def swapped(assessor: Assessor, **steps: Any) -> Assessor:
    return Assessor(assessor.bundle, assessor.catalogue, **steps)


def test_an_own_classifier_answers_and_nothing_is_promised_of_it(
    assessor: Assessor, assessed: Assessment, learned: OwnProbabilities
) -> None:
    own = swapped(assessor, classifier=learned)
    again = own.assess(assessed.batch)
    known = again.fault_assessed
    np.testing.assert_array_equal(
        again.probability[known], learned.predict_proba(assessed.features.values)[known]
    )
    np.testing.assert_array_equal(again.posterior.mean, assessed.posterior.mean)
    unlearned = again.status[:, ~learned.learned]
    assert (unlearned[assessed.fault_assessed[:, ~learned.learned]] == "not_learned").all()
    assert not known[:, ~learned.learned].any()
    assert np.isfinite(assessor.promised(assessed)).any()
    assert np.isnan(own.promised(again)).all()
    assert own.own_steps == {"classifier": "faultml.classifier.own_probabilities.OwnProbabilities"}
    assert own.token and not assessor.token and swapped(assessor, classifier=learned).token != own.token


def test_own_detector_filter_and_features_are_asked(assessor: Assessor, assessed: Assessment) -> None:
    later = swapped(assessor, detector=LaterTop(assessor.bundle.detector)).assess(assessed.batch)
    moved = later.landmarks.offset_s - assessed.landmarks.offset_s
    np.testing.assert_allclose(moved, np.broadcast_to([0.0, 0.01, 0.0, 0.0], moved.shape), atol=1e-12)
    passed = swapped(assessor, swing_filter=LetsPass()).assess(assessed.batch)
    assert "no-full-swing" in assessed.reason and "no-full-swing" not in passed.reason
    same = swapped(assessor, compute_features=measured).assess(assessed.batch)
    np.testing.assert_array_equal(same.probability, assessed.probability)


def test_other_features_need_a_filter_and_a_classifier_of_their_own(
    assessor: Assessor, assessed: Assessment
) -> None:
    def others(catalogue: Catalogue, windows: Windows, landmarks: Landmarks, curves: Curves) -> Features:
        found = compute_features(catalogue, windows, landmarks, curves)
        return replace(found, names=tuple(f"own {name}" for name in found.names))

    with pytest.raises(BundleError, match="bundle-features"):
        swapped(assessor, compute_features=others).assess(assessed.batch)
    steps = {"swing_filter": LetsPass(), "classifier": assessor.bundle.classifier}
    assert swapped(assessor, compute_features=others, **steps).assess(assessed.batch).assessed.any()


def test_moved_edges_and_answers_that_are_none_are_refused(
    bundle: Bundle, assessed: Assessment, tmp_path: Path
) -> None:
    model: FaultModel = bundle.classifier
    rows, n_faults = assessed.features.values, len(model.edges)
    with pytest.raises(BundleError, match="bad-probabilities"):
        OwnProbabilities(Plain(0.5, n_faults - 1), model).predict_proba(rows)
    with pytest.raises(BundleError, match="bad-probabilities"):
        OwnProbabilities(Plain(1.5, n_faults), model).predict_proba(rows)
    override = tmp_path / "edges.toml"
    override.write_text('owner = "ann"\n[[edge]]\nfault = "flexed_top"\nvalue = 20.0\n')
    own = Assessor(bundle, load_catalogue(override), classifier=OwnProbabilities(Plain(0.5, n_faults), model))
    with pytest.raises(BundleError, match="moved-edges"):
        own.assess(assessed.batch)


def test_a_season_with_an_own_step_says_so_and_keeps_no_parts_of_another(
    assessor: Assessor, generated: SyntheticSeason, tmp_path: Path
) -> None:
    faultml.write_season(generated.batch, tmp_path / "season" / "season.parquet")
    half = OwnProbabilities(Plain(0.4, len(assessor.catalogue.ids)), assessor.bundle.classifier)
    own = swapped(assessor, classifier=half)
    run = faultml.classify_season(tmp_path / "season", tmp_path / "out", assessor=own)
    faults = faultml.read_results(tmp_path / "out").faults
    assert set(faults.loc[faults["status"] == "assessed", "probability"]) == {0.4}
    assert run.run["own_steps"] == own.own_steps and faults["promised"].isna().all()
    assert run.run["promise"]["not_promised"] == list(assessor.catalogue.ids)
    with pytest.raises(InputError, match="two-models"):
        faultml.classify_season(tmp_path / "season", tmp_path / "out", assessor=own, false_share=0.2)
