"""The estimators keep scikit-learn's contract as far as their inputs allow, and golfers never cross a split."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import skops.io
from joblib import parallel_config
from numpy.typing import NDArray
from scipy.special import logit, ndtr
from sklearn.base import BaseEstimator, clone
from sklearn.exceptions import NotFittedError
from sklearn.metrics import log_loss
from sklearn.model_selection import GroupKFold, cross_validate
from sklearn.utils.estimator_checks import check_estimator

from faultml.classifier.convert import TRUSTED_TYPES
from faultml.classifier.faults import FaultClassifier
from faultml.classifier.measures import MeasureModel
from faultml.classifier.swing_filter import GOOD_REFUSED_SHARE, SwingFilter
from faultml.faults.catalogue import Catalogue
from faultml.motion.landmark_model import Landmarks
from faultml.motion.landmarks import LandmarkDetector
from faultml.motion.window import MARK_SD_S, Windows, make_windows
from faultml.network import Network
from faultml.runtime.faults import FaultModel, Posterior
from faultml.synthetic.season import SyntheticSeason

Array = NDArray[np.float64]
N_FEATURES = 22
SMALL: dict[str, Any] = {"hidden": (32,), "epochs": 40}


def golfers(count: int, each: int) -> NDArray[np.object_]:
    return np.array([f"g{k // each:02d}" for k in range(count)], dtype=object)


def read_and_true(catalogue: Catalogue, count: int = 600) -> tuple[Array, Array, Array]:
    """Features (measures and guard as read, and what biases the reading), true measures with guard, labels."""
    random = np.random.default_rng(count)
    edges = np.array([fault.edge for fault in catalogue.faults])
    softness = catalogue.softness_by_fault
    true = edges + softness * random.normal(0, 2, (count, len(edges)))
    guard = random.normal(-5, 10, (count, 1))
    bias = random.normal(0, 1, (count, 1))
    read = np.column_stack([true + bias * softness, guard, bias])
    X = np.column_stack([read, random.normal(0, 1, (count, N_FEATURES - read.shape[1]))])
    chance = ndtr(catalogue.signs * (true - edges) / softness)
    chance[:, catalogue.ids.index("recupping")] *= guard[:, 0] < 0
    labels = (random.random(chance.shape) < chance).astype(float)
    return X, np.column_stack([true, guard]), labels


@pytest.fixture(scope="module")
def data(catalogue: Catalogue) -> tuple[Array, Array, Array]:
    return read_and_true(catalogue, 2400)


@pytest.fixture(scope="module")
def classifier(catalogue: Catalogue, data: tuple[Array, Array, Array]) -> FaultClassifier:
    X, measures, labels = data
    fresh = FaultClassifier.for_catalogue(catalogue, **SMALL)
    return fresh.fit(X, measures, labels=labels, groups=golfers(len(X), 10))


@pytest.fixture(scope="module")
def swing_filter(data: tuple[Array, Array, Array]) -> SwingFilter:
    X = data[0]
    return SwingFilter(rounds=20).fit(X, X[:, -1] + 0.3 * X[:, -2] > -0.5, groups=golfers(len(X), 10))


@pytest.fixture(scope="module")
def windows(generated: SyntheticSeason) -> Windows:
    return make_windows(generated.batch)


def true_offsets(generated: SyntheticSeason, windows: Windows) -> Array:
    times = generated.truth[["takeaway_s", "top_s", "impact_s", "finish_s"]].to_numpy(float)
    return times - windows.anchor_s[:, None]


@pytest.fixture(scope="module")
def some(generated: SyntheticSeason, windows: Windows) -> tuple[Windows, Array, NDArray[np.object_]]:
    """Windows of full swings, their true landmarks, their golfers."""
    full = (generated.truth["kind"] == "full").to_numpy()
    taken = Windows(**{name: getattr(windows, name)[full] for name in Windows.__dataclass_fields__})
    return taken, true_offsets(generated, windows)[full], generated.truth["player"].to_numpy(object)[full]


@pytest.fixture(scope="module")
def detector(some: tuple[Windows, Array, NDArray[np.object_]]) -> LandmarkDetector:
    return LandmarkDetector(refinements=1, hidden=(24,), epochs=20).fit(*some)


def fresh(catalogue: Catalogue) -> list[BaseEstimator]:
    return [
        Network((8,), epochs=3, averaged=2),
        SwingFilter(rounds=7),
        MeasureModel(np.ones(3), trust=0.25),
        FaultClassifier.for_catalogue(catalogue, epochs=3),
        LandmarkDetector(refinements=1, alpha=0.5),
    ]


def test_parameters_are_kept_as_given_and_survive_a_clone(catalogue: Catalogue) -> None:
    for estimator in fresh(catalogue):
        copied = clone(estimator)
        assert copied is not estimator and type(copied) is type(estimator)
        given, kept = estimator.get_params(), copied.get_params()
        assert given.keys() == kept.keys()
        for name, value in given.items():
            assert np.array_equal(np.asarray(value, dtype=object), np.asarray(kept[name], dtype=object)), name
            assert getattr(estimator, name) is value
        assert not [name for name in vars(estimator) if name.endswith("_")], "nothing is fitted before fit"


@pytest.mark.filterwarnings("ignore::sklearn.exceptions.SkipTestWarning")
def test_the_network_passes_scikit_learns_own_checks() -> None:
    check_estimator(Network((32,), epochs=100, learning_rate=1e-2))


def test_before_fit_there_is_no_answer(catalogue: Catalogue, windows: Windows) -> None:
    X = np.zeros((2, N_FEATURES))
    network, swing_filter, measures, faults, detector = fresh(catalogue)
    for ask in (
        lambda: network.predict(X),
        lambda: swing_filter.predict(X),
        lambda: measures.predict(X),
        lambda: faults.predict_proba(X),
        lambda: faults.predict(X),
        lambda: detector.predict(windows),
    ):
        with pytest.raises(NotFittedError):
            ask()


def test_features_of_another_number_are_refused(
    data: tuple[Array, Array, Array], classifier: FaultClassifier, swing_filter: SwingFilter
) -> None:
    for estimator in (classifier, swing_filter, classifier.measures_):
        assert estimator.n_features_in_ == N_FEATURES
        ask = getattr(estimator, "predict_proba", estimator.predict)
        with pytest.raises(ValueError, match="features"):
            ask(data[0][:5, :-1])
        with pytest.raises(ValueError, match="NaN"):
            ask(np.full((2, N_FEATURES), np.nan))


def test_a_network_learns_and_a_row_does_not_depend_on_its_batch() -> None:
    random = np.random.default_rng(1)
    X = random.normal(0, 1, (330, 5))
    y = np.column_stack([X[:, 0] * 3 + 40, np.abs(X[:, 1])])
    network = Network((32,), epochs=60, learning_rate=1e-2, averaged=2).fit(X, y)
    read = network.predict(X)
    assert read.shape == y.shape
    assert (1 - ((read - y) ** 2).mean(axis=0) / y.var(axis=0) > 0.9).all()
    np.testing.assert_array_equal(network.predict(X[7:8]), read[7:8])
    np.testing.assert_array_equal(network.predict(X[::-1])[::-1], read)
    assert (
        network.predict(X[:3]).shape == (3, 2)
        and Network((4,), epochs=2).fit(X, y[:, 0]).predict(X).ndim == 1
    )


def test_a_stray_input_cannot_carry_a_result_away() -> None:
    random = np.random.default_rng(2)
    X = random.normal(0, 1, (300, 3))
    network = Network((8,), epochs=10).fit(X, X[:, 0])
    far, very_far = X[:1].copy(), X[:1].copy()
    far[0, 1], very_far[0, 1] = 1e3, 1e30
    assert np.isfinite(network.predict(very_far)).all()
    np.testing.assert_array_equal(network.predict(far), network.predict(very_far))


@pytest.mark.filterwarnings("ignore::sklearn.exceptions.ConvergenceWarning")  # threads share the filters
def test_the_same_seed_learns_the_same_whatever_the_jobs() -> None:
    X = np.random.default_rng(3).normal(0, 1, (200, 4))
    one = Network((8,), epochs=4, averaged=2, random_state=5).fit(X, X[:, 0]).predict(X)
    with parallel_config("threading"):
        two = Network((8,), epochs=4, averaged=2, random_state=5, n_jobs=2).fit(X, X[:, 0]).predict(X)
    np.testing.assert_array_equal(one, two)
    other = Network((8,), epochs=4, averaged=2, random_state=9).fit(X, X[:, 0]).predict(X)
    assert np.abs(other - one).max() > 1e-6


def test_measures_are_corrected_and_their_intervals_cover(
    catalogue: Catalogue, data: tuple[Array, Array, Array], classifier: FaultClassifier
) -> None:
    X, true, _ = read_and_true(catalogue, 1500)
    posterior = classifier.posterior(X)
    scale = catalogue.softness_by_fault
    as_read = np.abs(X[:, :17] - true[:, :17]) / scale
    error = np.abs(posterior.mean - true[:, :17]) / scale
    assert error.mean() < 0.8 * as_read.mean()
    covered = (error * scale <= 1.645 * posterior.sd).mean()
    assert 0.82 < covered < 0.97, "90 % within 1.645 SD"


@pytest.mark.filterwarnings("ignore:All-NaN slice:RuntimeWarning")
def test_an_undefined_measure_teaches_nothing(catalogue: Catalogue) -> None:
    X, true, _ = read_and_true(catalogue, 200)
    true[:, 3] = np.nan
    true[::2, 5] = np.nan
    model = MeasureModel(np.r_[catalogue.softness_by_fault, 4.0], **SMALL).fit(X, true)
    mean, sd = model.predict(X, return_std=True)
    assert np.isfinite(mean).all() and (sd > 0).all()
    assert mean.shape == sd.shape == true.shape


def test_probabilities_follow_the_labels(
    catalogue: Catalogue, data: tuple[Array, Array, Array], classifier: FaultClassifier
) -> None:
    X, _, labels = read_and_true(catalogue, 1500)
    chance = classifier.predict_proba(X)
    assert chance.shape == labels.shape and (chance > 0).all() and (chance < 1).all()
    assert classifier.learned_.all()
    assert np.abs(chance.mean(axis=0) - labels.mean(axis=0)).max() < 0.09
    assert ((chance - labels) ** 2).mean() < 0.85 * labels.mean() * (1 - labels.mean())
    np.testing.assert_array_equal(classifier.predict(X), chance >= 0.5)


def test_the_score_is_minus_scikit_learns_log_loss(catalogue: Catalogue, classifier: FaultClassifier) -> None:
    X, measures, labels = read_and_true(catalogue, 900)
    chance = classifier.predict_proba(X)
    of_faults = [log_loss(labels[:, k], chance[:, k], labels=[0, 1]) for k in range(labels.shape[1])]
    assert classifier.score(X, measures, labels=labels) == pytest.approx(-np.mean(of_faults), abs=1e-12)
    some = labels.copy()
    some[::3, 0], some[:, 1] = np.nan, np.nan
    of_faults[0] = log_loss(
        labels[:, 0][np.arange(900) % 3 > 0], chance[np.arange(900) % 3 > 0, 0], labels=[0, 1]
    )
    expected = -np.mean(np.delete(of_faults, 1))
    assert classifier.score(X, measures, labels=some) == pytest.approx(expected, abs=1e-12)


def test_it_is_cross_validated_by_golfer(catalogue: Catalogue, data: tuple[Array, Array, Array]) -> None:
    X, measures, _ = (part[:600] for part in data)
    fresh = FaultClassifier.for_catalogue(catalogue, **SMALL)
    folds = GroupKFold(3)
    found = cross_validate(fresh, X, measures, groups=golfers(600, 10), cv=folds, return_indices=True)
    assert found["test_score"].shape == (3,) and np.isfinite(found["test_score"]).all()
    assert (found["test_score"] < 0).all() and (found["test_score"] > np.log(0.5)).all(), (
        "better than not knowing"
    )
    owners = golfers(600, 10)
    for train, test in zip(found["indices"]["train"], found["indices"]["test"], strict=True):
        assert not set(owners[train]) & set(owners[test])


def test_moving_an_edge_moves_the_probability_and_only_that_fault(
    data: tuple[Array, Array, Array], classifier: FaultClassifier
) -> None:
    X, column = data[0][:50], 5
    edges = np.broadcast_to(classifier.edges, (50, 17)).copy()
    edges[:25, column] += classifier.signs[column] * 2 * classifier.softness[column]
    before, after = classifier.predict_proba(X), classifier.predict_proba(X, edges)
    assert (after[:25, column] <= before[:25, column]).all()
    assert after[:25, column].mean() < 0.7 * before[:25, column].mean()
    np.testing.assert_array_equal(np.delete(after, column, axis=1), np.delete(before, column, axis=1))
    np.testing.assert_array_equal(after[25:], before[25:])


def test_a_guard_that_does_not_hold_takes_the_fault_away(classifier: FaultClassifier) -> None:
    (column,) = classifier.guarded
    mean = np.repeat(classifier.edges[None] + classifier.signs * 5 * classifier.softness, 2, axis=0)
    posterior = Posterior(mean, 0.1 * np.ones_like(mean), np.array([[-20.0], [20.0]]), np.ones((2, 1)))
    chance = classifier.runtime().probability(posterior, classifier.edges)
    assert chance[0, column] > 0.9 and chance[1, column] < 0.1
    np.testing.assert_array_equal(np.delete(chance[0], column), np.delete(chance[1], column))


def test_a_fault_with_too_few_answers_is_not_learned(catalogue: Catalogue) -> None:
    X, true, labels = read_and_true(catalogue, 400)
    labels[:, 2] = 0.0
    labels[:, 4] = np.nan
    model = FaultClassifier.for_catalogue(catalogue, **SMALL | {"epochs": 2})
    model.fit(X, true, labels=labels, groups=golfers(400, 2))
    assert not model.learned_[[2, 4]].any()
    assert (model.slope_[[2, 4]] == 1).all() and (model.offset_[[2, 4]] == 0).all()


def test_calibration_is_a_rising_curve(classifier: FaultClassifier) -> None:
    assert (classifier.slope_ > 0).all()
    column = 0
    past = np.linspace(-4, 4, 41)[:, None] * classifier.softness
    mean = classifier.edges + classifier.signs * past
    posterior = Posterior(mean, 0.2 * np.ones_like(mean), np.full((41, 1), -90.0), np.ones((41, 1)))
    chance = classifier.runtime().probability(posterior, classifier.edges)
    assert (np.diff(chance, axis=0) >= 0).all()
    reported = logit(chance[:, column])
    raw = logit(np.clip(ndtr(past[:, column] / np.hypot(classifier.softness[column], 0.2)), 1e-5, 1 - 1e-5))
    np.testing.assert_allclose(reported, classifier.offset_[column] + classifier.slope_[column] * raw)


def test_the_swing_filter_refuses_few_good_recordings(
    data: tuple[Array, Array, Array], swing_filter: SwingFilter
) -> None:
    X = data[0]
    good = X[:, -1] + 0.3 * X[:, -2] > -0.5
    passed = swing_filter.predict(X)
    assert passed.dtype == bool and passed[good].mean() > 0.95 > GOOD_REFUSED_SHARE
    assert passed[~good].mean() < 0.3
    chance = swing_filter.predict_proba(X)
    np.testing.assert_allclose(chance.sum(axis=1), 1)
    np.testing.assert_array_equal(passed, chance[:, 1] >= swing_filter.threshold_)


def test_landmarks_come_in_order_with_an_uncertainty(
    some: tuple[Windows, Array, NDArray[np.object_]], detector: LandmarkDetector
) -> None:
    windows, true_s, _ = some
    found = detector.predict(windows)
    assert found.offset_s.shape == found.sd_s.shape == (len(windows), 4)
    assert (np.diff(found.offset_s, axis=1) > 0).all() and (found.sd_s > 0).all()
    error_s = np.median(np.abs(found.offset_s - true_s), axis=0)
    spread_s = np.abs(true_s - np.median(true_s, axis=0)).mean(axis=0)
    assert (error_s[:2] < 0.7 * spread_s[:2]).all(), "something is learned"


def test_a_contact_mark_is_taken_for_the_impact(
    some: tuple[Windows, Array, NDArray[np.object_]], detector: LandmarkDetector
) -> None:
    windows, _, _ = some
    found, marked = detector.predict(windows), windows.marked
    assert 0 < marked.sum() < len(windows)
    np.testing.assert_array_equal(found.offset_s[marked, 2], windows.mark_s[marked])
    assert (found.sd_s[marked, 2] == MARK_SD_S).all() and (found.sd_s[~marked, 2] != MARK_SD_S).all()


def test_fitted_estimators_come_back_from_a_file_that_runs_no_code(
    data: tuple[Array, Array, Array],
    some: tuple[Windows, Array, NDArray[np.object_]],
    classifier: FaultClassifier,
    swing_filter: SwingFilter,
    detector: LandmarkDetector,
) -> None:
    kept = skops.io.dumps({"classifier": classifier, "gate": swing_filter, "detector": detector})
    read = skops.io.loads(kept, trusted=list(TRUSTED_TYPES))
    X = data[0]
    np.testing.assert_array_equal(read["classifier"].predict_proba(X), classifier.predict_proba(X))
    np.testing.assert_array_equal(read["gate"].predict_proba(X), swing_filter.predict_proba(X))
    again: Landmarks = read["detector"].predict(some[0])
    np.testing.assert_array_equal(again.offset_s, detector.predict(some[0]).offset_s)
    assert read["gate"].threshold_ == swing_filter.threshold_


class TestGolfersNeverCrossASplit:
    """Each golfer's number is carried in a column; what each part of the learning sees is written down."""

    def test_measures_and_calibration(self, catalogue: Catalogue, monkeypatch: pytest.MonkeyPatch) -> None:
        X, true, labels = read_and_true(catalogue, 600)
        who = np.arange(600) // 10
        X[:, -1] = who
        seen: list[set[int]] = []
        fit = Network.fit

        def noted(self: Network, X: Array, y: Array) -> Network:
            seen.append(set(X[:, -1].astype(int)))
            return fit(self, X, y)

        monkeypatch.setattr("faultml.network.Network.fit", noted)
        asked: list[set[int]] = []
        posterior = FaultModel.posterior

        def asking(self: FaultModel, X: Array) -> Posterior:
            asked.append(set(X[:, -1].astype(int)))
            return posterior(self, X)

        monkeypatch.setattr(FaultModel, "posterior", asking)
        FaultClassifier.for_catalogue(catalogue, **SMALL | {"epochs": 2}).fit(
            X, true, labels=labels, groups=who.astype(str)
        )
        (learned, spread), (calibrated,) = seen, asked
        assert learned and spread and calibrated
        assert not learned & spread and not (learned | spread) & calibrated
        assert learned | spread | calibrated == set(range(60))

    def test_the_swing_filters_threshold(self, monkeypatch: pytest.MonkeyPatch) -> None:
        from sklearn.ensemble import HistGradientBoostingClassifier as Trees

        random = np.random.default_rng(0)
        who = np.arange(400) // 8
        X = np.column_stack([random.normal(0, 1, 400), who])
        seen: dict[str, set[int]] = {}
        fit, predict_proba = Trees.fit, Trees.predict_proba

        def fitting(self: Trees, X: Array, y: Array, sample_weight: Array | None = None) -> Trees:
            seen["fit"] = set(X[:, 1].astype(int))
            return fit(self, X, y, sample_weight)

        def asking(self: Trees, X: Array) -> Array:
            seen["threshold"] = set(X[:, 1].astype(int))
            return predict_proba(self, X)

        monkeypatch.setattr(Trees, "fit", fitting)
        monkeypatch.setattr(Trees, "predict_proba", asking)
        SwingFilter(rounds=3).fit(X, X[:, 0] > -1, groups=who.astype(str))
        assert seen["fit"] and seen["threshold"] and not seen["fit"] & seen["threshold"]

    def test_landmarks_and_their_uncertainty(
        self, some: tuple[Windows, Array, NDArray[np.object_]], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        windows, true_s, players = some
        names, number = np.unique(players, return_inverse=True)
        fields = {name: getattr(windows, name) for name in Windows.__dataclass_fields__}
        # The sampling rate is one of the inputs: it carries the golfer's number.
        carrying = Windows(**fields | {"sample_rate_hz": 100.0 + number})
        seen: list[set[int]] = []
        fit = Network.fit

        def noted(self: Network, X: Array, y: Array) -> Network:
            rates = np.exp(X)
            carried = [
                column
                for column in range(X.shape[1])
                if np.isin(rates[:, column].round(2), 100.0 + number).all()
            ]
            seen.append(set(rates[:, carried[0]].round().astype(int) - 100))
            return fit(self, X, y)

        monkeypatch.setattr("faultml.network.Network.fit", noted)
        LandmarkDetector(refinements=2, hidden=(4,), epochs=2).fit(carrying, true_s, players)
        assert len(seen) == 3 and all(part == seen[0] for part in seen)
        # Whoever is left teaches how wide the uncertainty must be, and nothing else.
        assert 0 < len(seen[0]) < len(names)
