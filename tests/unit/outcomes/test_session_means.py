"""Means over periods, held against the normal density of whole seasons."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from outcome_fakes import FAULT, given, sums_of
from scipy import stats

from faultml.faults.catalogue import load_catalogue
from faultml.outcomes.periods import measured, periods_of, season_sessions
from faultml.outcomes.session_means import Means, SessionGrid, Sessions, period_means

GRID = SessionGrid(tau=np.array([2.0, 2.0, 5.0]), rho=np.array([0.0, 0.6, 0.85]))
N = np.array([4.0, 10.0, 6.0, 12.0, 10.0])
PLACE = np.array([0.0, 1.0, 2.0, 4.0, 5.0])
WINDOW = np.array([0, 0, 0, 1, 1])
Y = np.array([6.0, 9.0, 7.0, 1.0, -1.0])
SWING_VARIANCE = 16.0
WIDE = 1e5
"""Variance of a prior of the periods' means that is as good as flat."""


def means(window: np.ndarray = WINDOW, n_windows: int = 2, place: np.ndarray = PLACE) -> Means:
    sessions = Sessions(np.zeros(5, dtype=np.int64), place, N, Y, np.zeros(5))
    return period_means(sessions, window, n_windows, np.array([SWING_VARIANCE]), GRID)


def covariance(point: int, place: np.ndarray = PLACE) -> np.ndarray:
    """Of the session means, entry by entry."""
    error = np.empty((5, 5))
    for i in range(5):
        for j in range(5):
            error[i, j] = GRID.tau[point] ** 2 * GRID.rho[point] ** abs(place[i] - place[j])
            error[i, j] += SWING_VARIANCE / N[i] if i == j else 0
    return error


@pytest.mark.parametrize("point", range(3))
def test_means_and_their_errors_are_the_posterior_under_a_flat_prior(point: int) -> None:
    design = np.column_stack([WINDOW == 0, WINDOW == 1]).astype(float)
    total = covariance(point) + WIDE * design @ design.T
    gain = WIDE * design.T @ np.linalg.inv(total)
    found = means()
    np.testing.assert_allclose(found.mean[point, 0], gain @ Y, atol=2e-3)
    np.testing.assert_allclose(
        found.covariance[point, 0], WIDE * np.eye(2) - WIDE * gain @ design, rtol=1e-2, atol=1e-3
    )


def test_the_fit_is_the_density_of_the_sessions_whatever_their_periods_means() -> None:
    design = np.column_stack([WINDOW == 0, WINDOW == 1]).astype(float)
    density = np.array(
        [
            stats.multivariate_normal(cov=covariance(point) + WIDE * design @ design.T).logpdf(Y)
            for point in range(3)
        ]
    )
    fit = means().log_fit
    np.testing.assert_allclose(fit - fit[0], density - density[0], atol=1e-3)


def test_independent_sessions_are_weighed_by_their_precision() -> None:
    weight = 1 / (4 + SWING_VARIANCE / N[:3])
    assert means().mean[0, 0, 0] == pytest.approx(weight @ Y[:3] / weight.sum())
    assert means().covariance[0, 0, 0, 0] == pytest.approx(1 / weight.sum())
    assert means().covariance[0, 0, 0, 1] == 0


def test_correlated_sessions_tell_less_and_their_periods_err_together() -> None:
    found = means()
    assert found.covariance[1, 0, 0, 0] > 1.3 * found.covariance[0, 0, 0, 0]
    assert found.covariance[1, 0, 0, 1] > 0
    far = means(place=np.array([0.0, 1, 2, 40, 41]))
    assert far.covariance[1, 0, 0, 1] < 1e-6


def test_a_period_without_sessions_is_not_seen_and_changes_no_other() -> None:
    found, wider = means(), means(n_windows=4)
    assert wider.seen.tolist() == [[True, True, False, False]]
    np.testing.assert_allclose(wider.mean[:, :, :2], found.mean)
    np.testing.assert_allclose(wider.covariance[:, :, :2, :2], found.covariance)
    pair = wider.pair(np.array([0]), np.array([1]), np.array([3]))
    assert pair.var_after.min() > 1e9 and not pair.covariance.any()


def test_sessions_of_practice_stand_between_those_without_feedback() -> None:
    """s2 comes before s10, and a session of practice in between makes the lag longer."""
    rows = [
        sums_of("lp-01", name, np.full(5, 30.0), context)
        for name, context in (("s10", "play"), ("s2", "play"), ("s3", "practice"))
    ]
    periods = periods_of(season_sessions(pd.DataFrame(rows)), given(("lp-01", "s2")))
    place = dict(zip(periods.rows["session"], periods.place, strict=True))
    assert place == {"s2": 0, "s3": 1, "s10": 2}
    free = periods.take(~periods.rows["practice"].to_numpy(bool))
    assert sorted(measured(free, load_catalogue()[FAULT]).place) == [0, 2]
