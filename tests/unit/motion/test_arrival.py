"""Quantiles of a landmark's arrival, read by hand from a row of chances."""

from __future__ import annotations

import numpy as np
import pytest

from faultml.motion.arrival import quantiles, steps

EDGES_S = (np.array([0.0, 0.1, 0.2, 0.3]), np.array([1.0, 2.0, 3.0]))


def read(first: list[float], second: list[float], *levels: float) -> np.ndarray:
    return quantiles(np.array([[*first, *second]]), EDGES_S, levels)[0]


def test_a_quantile_lies_between_the_edges_around_its_level() -> None:
    """0.5 is reached a quarter of the way from 0.4 to 0.8, and half-way from 0.2 to 0.8."""
    times = read([0.0, 0.4, 0.8, 1.0], [0.2, 0.8, 1.0], 0.5, 0.9)
    assert times[0] == pytest.approx([0.1 + 0.25 * 0.1, 0.25])
    assert times[1] == pytest.approx([1.5, 2.5])


def test_chances_that_fall_or_leave_0_to_1_are_held_at_the_highest_so_far() -> None:
    assert read([-0.2, 0.6, 0.3, 1.4], [0.0, 0.5, 1.0], 0.3)[0] == pytest.approx([0.05])
    assert read([-0.2, 0.6, 0.3, 1.4], [0.0, 0.5, 1.0], 0.8)[0] == pytest.approx([0.25])


def test_a_quantile_beyond_the_edges_is_held_at_the_last_one() -> None:
    late, early = read([0.0, 0.0, 0.1, 0.2], [0.7, 0.8, 1.0], 0.5)
    assert late == pytest.approx([0.3]) and early == pytest.approx([1.0])


def test_steps_are_read_back_within_one_edge() -> None:
    times_s = np.array([[0.15, 2.5], [0.05, 1.2]])
    median = quantiles(steps(times_s, EDGES_S), EDGES_S, [0.5])[:, :, 0]
    assert (np.abs(median - times_s) <= [0.1, 1.0]).all()
