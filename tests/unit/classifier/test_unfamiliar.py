"""What is unlike the training data is distinguished from what is rare in one reading only, row by row."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2

from faultml.classifier.unfamiliar import Unfamiliarity

WIDTH = 12
TOGETHER = np.linalg.cholesky(0.9 * np.ones((WIDTH, WIDTH)) + 0.1 * np.eye(WIDTH))


def rows(count: int, seed: int = 0) -> np.ndarray:
    """Readings in odd units that go together."""
    z = np.random.default_rng(seed).normal(size=(count, WIDTH)) @ TOGETHER.T
    return z * np.geomspace(1e-3, 1e3, WIDTH) + np.linspace(-5, 5, WIDTH)


def test_readings_that_do_not_go_together_are_unfamiliar_though_each_is_usual() -> None:
    learned = rows(4000)
    estimator = Unfamiliarity().fit(learned)
    each_usual = np.column_stack([np.random.default_rng(k).permutation(learned[:, k]) for k in range(WIDTH)])
    assert np.quantile(estimator.score_samples(each_usual), 0.05) > 1.2
    assert np.median(estimator.score_samples(rows(500, 1))) < 1


def test_distances_of_normal_rows_are_those_of_the_chi_squared_curve() -> None:
    """Squared Mahalanobis distances of normal rows follow chi-squared with as many degrees as columns."""
    estimator = Unfamiliarity(usual=0.5).fit(rows(20_000))
    found = np.quantile(estimator.score_samples(rows(20_000, 1)), [0.1, 0.5, 0.9, 0.99])
    expected = np.sqrt(chi2.ppf([0.1, 0.5, 0.9, 0.99], WIDTH) / chi2.ppf(0.5, WIDTH))
    assert found == pytest.approx(expected, rel=0.03)


def test_the_usual_are_not_widened_and_no_widening_is_without_end() -> None:
    learned = rows(2000)
    estimator = Unfamiliarity().fit(learned)
    assert np.mean(estimator.widening(learned) == 1.0) == pytest.approx(0.75, abs=0.01)
    assert estimator.widening(learned).min() == 1.0
    far = 1e12 * np.array([[-1.0, 1.0] * (WIDTH // 2)])
    assert estimator.widening(far) == 3.0
    assert estimator.score_samples(far) == estimator.score_samples(1e3 * far)


def test_a_row_has_its_score_in_any_company() -> None:
    estimator, asked = Unfamiliarity().fit(rows(500)), rows(100, 1)
    together = estimator.score_samples(asked)
    alone = np.concatenate([estimator.score_samples(asked[k : k + 1]) for k in range(100)])
    np.testing.assert_array_equal(together, alone)
    np.testing.assert_array_equal(estimator.score_samples(asked[::-1]), together[::-1])


def test_columns_that_never_change_say_nothing_until_they_do() -> None:
    learned = np.column_stack([rows(500), np.full(500, 7.0)])
    estimator = Unfamiliarity().fit(learned)
    assert np.isfinite(estimator.score_samples(learned)).all()
    changed = learned.copy()
    changed[:, -1] += 3
    assert (estimator.score_samples(changed) > estimator.score_samples(learned)).all()
