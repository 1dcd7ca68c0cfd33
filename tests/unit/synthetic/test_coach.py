"""The coach who labels: a normal curve across the edge, a bias of their own, lapses."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from faultml.faults.catalogue import Catalogue
from faultml.synthetic.coach import Coach


def measures_past(catalogue: Catalogue, softnesses: float, count: int = 1) -> np.ndarray:
    edges = np.array([fault.edge for fault in catalogue.faults])
    return np.repeat(
        (edges + catalogue.signs * softnesses * catalogue.softness_by_fault)[None], count, axis=0
    )


HELD = np.array([[-10.0]])


@pytest.mark.parametrize("softnesses", [-2.0, -1.0, 0.0, 0.5, 1.0, 3.0])
def test_a_careful_yes_rises_like_a_normal_curve(softnesses: float, catalogue: Catalogue) -> None:
    """conventions.md: SD 4 degrees, 0.04 of the downswing."""
    assert set(catalogue.softness_by_fault) == {4.0, 0.04}
    chance = Coach.careful(catalogue).chance_of_yes(catalogue, measures_past(catalogue, softnesses), HELD)
    np.testing.assert_allclose(chance[0], norm.cdf(softnesses))


def test_a_bias_shifts_the_curve(catalogue: Catalogue) -> None:
    coach = Coach(2.0 * catalogue.softness_by_fault, lapse_rate=0.0)
    chance = coach.chance_of_yes(catalogue, measures_past(catalogue, 2.0), HELD)
    np.testing.assert_allclose(chance[0], 0.5)


def test_lapses_bound_the_chance(catalogue: Catalogue) -> None:
    coach = Coach(np.zeros(17), lapse_rate=0.1)
    for softnesses, chance in ((-9, 0.1), (0, 0.5), (9, 0.9)):
        reported = coach.chance_of_yes(catalogue, measures_past(catalogue, softnesses), HELD)
        np.testing.assert_allclose(reported[0], chance, atol=1e-9)


def test_what_is_not_defined_is_not_answered(catalogue: Catalogue) -> None:
    measures = measures_past(catalogue, 1.0, 3)
    measures[1, 9] = np.nan
    labels = Coach.careful(catalogue).label(
        catalogue, measures, np.repeat(HELD, 3, axis=0), np.random.default_rng(0)
    )
    assert np.isnan(labels[1, 9]) and np.isnan(labels).sum() == 1
    assert set(labels[np.isfinite(labels)]) <= {0.0, 1.0}


def test_answers_come_as_often_as_their_chance(catalogue: Catalogue) -> None:
    measures, guards = measures_past(catalogue, 0.5, 4000), np.repeat(HELD, 4000, axis=0)
    labels = Coach.careful(catalogue).label(catalogue, measures, guards, np.random.default_rng(1))
    np.testing.assert_allclose(labels.mean(axis=0), norm.cdf(0.5), atol=0.035)


def test_coaches_differ_and_repeat_with_their_seed(catalogue: Catalogue) -> None:
    one, again = (Coach.draw(catalogue, np.random.default_rng(5)) for _ in range(2))
    np.testing.assert_array_equal(one.bias, again.bias)
    many = np.array([Coach.draw(catalogue, np.random.default_rng(seed)).bias for seed in range(300)])
    np.testing.assert_allclose(many.std(axis=0) / catalogue.softness_by_fault, 0.75, rtol=0.2)
    assert np.abs(many.mean(axis=0) / catalogue.softness_by_fault).max() < 0.2
