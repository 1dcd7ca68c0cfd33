"""One contract for every estimator: scikit-learn's own checks on what takes rows, ours on what takes windows.

Which are which: `Network`, `MeasureModel`, `SwingFilter`, `FaultClassifier` and `Unfamiliarity` take
``(n_rows, n_features)``; `LandmarkDetector` takes `Windows`, `WindowFeatures` takes
``(n_windows, n_channels, n_samples)``.
"""

from __future__ import annotations

import copy
import importlib
import importlib.util
import pkgutil
from collections.abc import Callable
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sklearn.base import BaseEstimator, clone
from sklearn.exceptions import NotFittedError
from sklearn.utils.estimator_checks import parametrize_with_checks

import faultml
import faultml.pipelines
import faultml.synthetic
from faultml.classifier.faults import FaultClassifier
from faultml.classifier.measures import MeasureModel
from faultml.classifier.swing_filter import SwingFilter
from faultml.classifier.unfamiliar import Unfamiliarity
from faultml.motion.landmark_model import Landmarks
from faultml.motion.landmarks import LandmarkDetector
from faultml.motion.window import MARK_SD_S, OFFSETS_S, RATE_HZ, Windows
from faultml.network import Network
from faultml.pipelines.benchmarks.compare.window_features import WindowFeatures
from faultml.pipelines.training.data import take_windows

ONE = np.ones(1)

ROWS = [
    Network((32,), epochs=120),
    SwingFilter(rounds=10),
    MeasureModel(ONE, hidden=(8,), epochs=5),
    FaultClassifier(np.zeros(1), ONE, ONE, hidden=(8,), epochs=5),
    Unfamiliarity(),
]
"""Estimators of rows, small enough to be quick and large enough to learn what the checks ask."""


@parametrize_with_checks(ROWS)
def test_scikit_learns_contract(estimator: Any, check: Callable[[Any], None]) -> None:
    check(estimator)


def made_windows(count: int, seed: int = 3) -> Windows:
    """Windows with a downswing in each, at a moment and size of its own."""
    random = np.random.default_rng(seed)
    at = random.normal(0, 0.03, (count, 3, 1))
    size = random.normal([[[15.0], [40.0], [-50.0]]], 8.0, (count, 3, 1))
    angles = size * np.tanh((OFFSETS_S - at) / 0.08) - 0.6 * size * np.tanh((OFFSETS_S + 0.9) / 0.3)
    jolts = {"jolts": np.zeros((count, 161))} if "jolts" in {each.name for each in fields(Windows)} else {}
    return Windows(
        anchor_s=random.uniform(2, 3, count),
        angles_deg=angles,
        rates_dps=np.gradient(angles, 1 / RATE_HZ, axis=2),
        start_s=np.full(count, -2.0),
        end_s=np.full(count, 1.0),
        has_pronation=np.ones(count, dtype=bool),
        mark_s=np.full(count, np.nan),
        mark_sd_s=np.full(count, MARK_SD_S),
        sample_rate_hz=np.full(count, 200.0),
        noise_deg=random.uniform(0, 0.5, (count, 3)),
        **jolts,
    )


@dataclass(frozen=True)
class Case:
    """An estimator of windows, what it learns from, and how it is asked."""

    estimator: Any
    fit: tuple[Any, ...]
    ask: Callable[[Any, Any], Any]
    rows: Callable[[Any, slice | np.ndarray], Any]
    wrong: tuple[Any, ...]
    """Input that does not fit what was learned."""


def landmark_case() -> Case:
    windows = made_windows(60)
    offset_s = np.column_stack([np.full(60, -1.2), np.full(60, -0.25), np.zeros(60), np.full(60, 0.6)])
    offset_s += np.random.default_rng(1).normal(0, 0.02, offset_s.shape)
    return Case(
        LandmarkDetector(1, hidden=(8,), epochs=2, averaged=1),
        (windows, offset_s, np.repeat(np.arange(12), 5)),
        lambda fitted, given: np.column_stack([fitted.predict(given).offset_s, fitted.predict(given).sd_s]),
        take_windows,
        (),
    )


def feature_case() -> Case:
    series = np.random.default_rng(2).normal(size=(12, 2, 40))
    return Case(
        WindowFeatures(depth=3),
        (series,),
        lambda fitted, given: fitted.transform(given),
        lambda given, which: given[which],
        (series[:, :1], series[:, :, :-1], series[0], np.full_like(series, np.nan), series[:, :, :4]),
    )


CASES = pytest.mark.parametrize("case", [landmark_case(), feature_case()], ids=["landmarks", "features"])


def same(given: Any, before: Any) -> bool:
    """Whether an input is what it was before."""
    if isinstance(given, Windows):
        return all(same(getattr(given, f.name), getattr(before, f.name)) for f in fields(Windows))
    return np.array_equal(given, before, equal_nan=np.asarray(given).dtype.kind == "f")


@CASES
def test_parameters_are_kept_as_given_and_cloned(case: Case) -> None:
    twin = clone(case.estimator)
    assert twin is not case.estimator
    assert twin.get_params() == case.estimator.get_params()
    for name, value in case.estimator.get_params().items():
        assert clone(case.estimator).set_params(**{name: value}).get_params()[name] is value
    with pytest.raises(ValueError, match="Invalid parameter"):
        twin.set_params(no_such_parameter=1)


@CASES
def test_fitting_returns_self_and_leaves_parameters_and_input_alone(case: Case) -> None:
    fresh, before = clone(case.estimator), copy.deepcopy(case.fit)
    parameters = fresh.get_params()
    assert fresh.fit(*case.fit) is fresh
    assert fresh.get_params() == parameters
    case.ask(fresh, case.fit[0])
    assert all(same(given, kept) for given, kept in zip(case.fit, before, strict=True))
    public = {name for name in vars(fresh) if not name.endswith("_") and not name.startswith("_")}
    assert public == set(parameters), "what is learned ends in an underscore"


@CASES
def test_fitting_twice_is_fitting_once(case: Case) -> None:
    once = clone(case.estimator).fit(*case.fit)
    first = case.ask(once, case.fit[0])
    assert np.array_equal(first, case.ask(once.fit(*case.fit), case.fit[0]))
    assert np.array_equal(first, case.ask(clone(case.estimator).fit(*case.fit), case.fit[0]))


@CASES
def test_asking_before_fitting_is_reported(case: Case) -> None:
    with pytest.raises(NotFittedError):
        case.ask(clone(case.estimator), case.fit[0])


@CASES
def test_an_answer_does_not_depend_on_its_batch(case: Case) -> None:
    fitted, given = clone(case.estimator).fit(*case.fit), case.fit[0]
    together = case.ask(fitted, given)
    assert len(together) == len(given)
    order = np.random.default_rng(0).permutation(len(given))
    parts = [order, *(slice(first, first + 7) for first in range(0, len(given), 7))]
    for part in parts:
        # The detector divides by a spacing that it reads off the batch's first row: its last bit may differ.
        assert case.ask(fitted, case.rows(given, part)) == pytest.approx(together[part], rel=0, abs=1e-12)


@CASES
def test_asking_changes_nothing(case: Case) -> None:
    fitted = clone(case.estimator).fit(*case.fit)
    before = set(vars(fitted))
    first = case.ask(fitted, case.fit[0])
    assert np.array_equal(first, case.ask(fitted, case.fit[0]))
    assert set(vars(fitted)) == before


@CASES
def test_what_does_not_fit_is_refused_in_words(case: Case) -> None:
    fitted = clone(case.estimator).fit(*case.fit)
    for given in case.wrong:
        with pytest.raises(ValueError, match=r"X|expected"):
            case.ask(fitted, given)


def test_the_detector_refuses_truth_that_does_not_fit_its_windows() -> None:
    windows, offset_s, groups = landmark_case().fit
    detector = landmark_case().estimator
    for truth, golfers in ((offset_s[:-1], groups), (offset_s[:, :3], groups), (offset_s, groups[:-1])):
        with pytest.raises(ValueError, match="expected"):
            clone(detector).fit(windows, truth, golfers)
    with pytest.raises(ValueError, match="NaN"):
        clone(detector).fit(windows, np.full_like(offset_s, np.nan), groups)


def test_what_the_detector_says_is_in_order() -> None:
    case = landmark_case()
    found = clone(case.estimator).fit(*case.fit).predict(case.fit[0])
    assert isinstance(found, Landmarks)
    assert (np.diff(found.offset_s, axis=1) > 0).all()
    assert (found.sd_s > 0).all()


def test_window_features_say_how_many_channels_they_know() -> None:
    fitted = feature_case().estimator.fit(*feature_case().fit)
    assert (fitted.n_features_in_, fitted.n_samples_in_) == (2, 40)


def test_no_estimator_is_left_out() -> None:
    """Every class of the library and its pipelines that calls itself an estimator is held to the contract here."""
    tested = {type(each) for each in ROWS} | {
        type(case.estimator) for case in (landmark_case(), feature_case())
    }
    found = set()
    for package in (faultml, faultml.pipelines, faultml.synthetic):
        for module in pkgutil.walk_packages(package.__path__, f"{package.__name__}."):
            source = importlib.util.find_spec(module.name)
            if (
                source is None
                or source.origin is None
                or "BaseEstimator" not in Path(source.origin).read_text()
            ):
                continue
            for name, kind in vars(importlib.import_module(module.name)).items():
                own = isinstance(kind, type) and kind.__module__ == module.name and not name.startswith("_")
                if own and issubclass(kind, BaseEstimator):
                    found.add(kind)
    assert found == tested
