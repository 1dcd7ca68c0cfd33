"""Reading ragged samples at any times, against scipy's cubics and against exact polynomials."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.interpolate import CubicHermiteSpline

from faultml.motion.resample import interpolate, lookup

Array = NDArray[np.float64]


def uneven_times(random: np.random.Generator, count: int) -> Array:
    return np.cumsum(random.uniform(0.002, 0.02, count)) + random.uniform(0, 3)


@pytest.mark.parametrize("count", [3, 4, 60])
def test_the_kernel_is_a_cubic_hermite_spline_with_three_point_slopes(count: int) -> None:
    """scipy's CubicHermiteSpline with numpy's second-order slopes is the same curve."""
    random = np.random.default_rng(count)
    t_s, y = uneven_times(random, count), random.normal(0, 20, count)
    query = np.linspace(t_s[0], t_s[-1], 501)
    expected = CubicHermiteSpline(t_s, y, np.gradient(y, t_s))(query)
    read = interpolate(t_s[None], y[None, None], np.array([count]), query[None])[0, 0]
    np.testing.assert_allclose(read, expected, atol=1e-9)


@pytest.mark.parametrize("degree", [0, 1, 2])
def test_polynomials_are_read_exactly(degree: int) -> None:
    """Up to a parabola, for which three-point slopes are exact (a line at the very ends)."""
    random = np.random.default_rng(degree)
    t_s = uneven_times(random, 40)
    curve = np.polynomial.Polynomial(random.normal(0, 5, degree + 1))
    inner = (t_s[1], t_s[-2]) if degree == 2 else (t_s[0], t_s[-1])
    query = np.linspace(*inner, 200)
    read = interpolate(t_s[None], curve(t_s)[None, None], np.array([40]), query[None])[0, 0]
    np.testing.assert_allclose(read, curve(query), atol=1e-9)


def test_ragged_rows_and_channels_are_read_each_by_itself() -> None:
    random = np.random.default_rng(9)
    counts = np.array([5, 30, 2, 12])
    t_s, values = np.full((4, 30), np.nan), np.full((4, 3, 30), np.nan)
    query = np.sort(random.uniform(0, 4, (4, 25)), axis=1)
    for row, count in enumerate(counts):
        t_s[row, :count], values[row, :, :count] = (
            uneven_times(random, count),
            random.normal(0, 9, (3, count)),
        )
        query[row] = np.linspace(t_s[row, 0], t_s[row, count - 1], 25)
    together = interpolate(t_s, values, counts, query)
    assert together.shape == (4, 3, 25) and np.isfinite(together).all()
    for row, count in enumerate(counts):
        alone = interpolate(t_s[[row], :count], values[[row]][:, :, :count], counts[[row]], query[[row]])
        np.testing.assert_array_equal(together[[row]], alone)


def test_samples_are_met_and_outside_there_is_nothing() -> None:
    t_s = np.array([[1.0, 1.1, 1.3, 1.6, np.nan]])
    values = np.array([[[4.0, -2.0, 7.0, 1.0, np.nan]]])
    query = np.array([[0.99, 1.0, 1.1, 1.3, 1.6, 1.61, np.nan]])
    read = interpolate(t_s, values, np.array([4]), query)[0, 0]
    np.testing.assert_allclose(read, [np.nan, 4, -2, 7, 1, np.nan, np.nan])


def test_times_may_be_asked_in_any_order() -> None:
    t_s, y = np.arange(20.0)[None], np.random.default_rng(2).normal(0, 5, (1, 2, 20))
    query = np.random.default_rng(3).uniform(0, 19, (1, 50))
    order = np.argsort(query[0])
    read = interpolate(t_s, y, np.array([20]), query)
    np.testing.assert_array_equal(read[..., order], interpolate(t_s, y, np.array([20]), query[:, order]))


@pytest.mark.parametrize("count", [0, 1])
def test_a_swing_without_samples_reads_as_nothing(count: int) -> None:
    read = interpolate(np.zeros((1, 4)), np.zeros((1, 3, 4)), np.array([count]), np.zeros((1, 6)))
    assert read.shape == (1, 3, 6) and np.isnan(read).all()


def test_lookup_is_linear_and_holds_the_ends() -> None:
    values = np.random.default_rng(5).normal(0, 1, (2, 3, 10))
    position = np.array([[-3.0, 0.0, 0.25, 4.5, 9.0, 40.0], [1, 2, 3, 4.75, 8.999, 9.5]])
    read = lookup(values, position)
    for row in range(2):
        for channel in range(3):
            expected = np.interp(position[row], np.arange(10), values[row, channel])
            np.testing.assert_allclose(read[row, channel], expected, atol=1e-12)
