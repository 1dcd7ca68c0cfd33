"""Reading ragged samples at any times, against scipy's cubics and against exact polynomials."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.interpolate import CubicHermiteSpline

from faultml.motion.resample import along, intervals, known, lookup, slopes

Array = NDArray[np.float64]


def read_by_cubics(t_s: Array, values: Array, query_s: Array) -> Array:
    """Values ``(n_channels, n_queries)`` of a swing within its samples, interval by interval by the kernels."""
    length_s, by, before, after, slope = np.empty((5, len(t_s)))
    intervals(t_s, length_s, by, before, after)
    low = np.clip(np.searchsorted(t_s, query_s, "right") - 1, 0, len(t_s) - 2)
    read = np.empty((len(values), len(query_s)))
    for channel, curve in enumerate(values):
        kept = np.array([known(value) for value in curve])
        slopes(kept, before, after, slope)
        for at, place in enumerate(low):
            read[channel, at] = along(kept, slope, length_s, place, (query_s[at] - t_s[place]) * by[place])
    return read


def uneven_times(random: np.random.Generator, count: int) -> Array:
    return np.cumsum(random.uniform(0.002, 0.02, count)) + random.uniform(0, 3)


@pytest.mark.parametrize("count", [3, 4, 60])
def test_the_kernel_is_a_cubic_hermite_spline_with_three_point_slopes(count: int) -> None:
    """scipy's CubicHermiteSpline with numpy's second-order slopes is the same curve."""
    random = np.random.default_rng(count)
    t_s, y = uneven_times(random, count), random.normal(0, 20, count)
    query = np.linspace(t_s[0], t_s[-1], 501)
    expected = CubicHermiteSpline(t_s, y, np.gradient(y, t_s))(query)
    read = read_by_cubics(t_s, y[None], query)[0]
    np.testing.assert_allclose(read, expected, atol=1e-9)


@pytest.mark.parametrize("degree", [0, 1, 2])
def test_polynomials_are_read_exactly(degree: int) -> None:
    """Up to a parabola, for which three-point slopes are exact (a line at the very ends)."""
    random = np.random.default_rng(degree)
    t_s = uneven_times(random, 40)
    curve = np.polynomial.Polynomial(random.normal(0, 5, degree + 1))
    inner = (t_s[1], t_s[-2]) if degree == 2 else (t_s[0], t_s[-1])
    query = np.linspace(*inner, 200)
    read = read_by_cubics(t_s, curve(t_s)[None], query)[0]
    np.testing.assert_allclose(read, curve(query), atol=1e-9)


def test_samples_are_met_and_lost_values_count_as_nought() -> None:
    t_s = np.array([1.0, 1.1, 1.3, 1.6])
    values = np.array([[4.0, -2.0, 7.0, 1.0], [3.0, np.nan, 5.0, 2.0]])
    read = read_by_cubics(t_s, values, t_s)
    np.testing.assert_allclose(read, [[4, -2, 7, 1], [3, 0, 5, 2]], atol=1e-12)


def test_lookup_is_linear_and_holds_the_ends() -> None:
    values = np.random.default_rng(5).normal(0, 1, (2, 3, 10))
    position = np.array([[-3.0, 0.0, 0.25, 4.5, 9.0, 40.0], [1, 2, 3, 4.75, 8.999, 9.5]])
    read = lookup(values, 7.0 + position / 50.0, 7.0, 50.0)
    for row in range(2):
        for channel in range(3):
            expected = np.interp(position[row], np.arange(10), values[row, channel])
            np.testing.assert_allclose(read[row, channel], expected, atol=1e-12)
