"""The chance of a fault from a known posterior, worked out with the normal distribution."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import expit, logit
from scipy.stats import norm

from faultml.classifier.bundle import Bundle
from faultml.runtime.faults import FaultModel, Posterior


@pytest.fixture(scope="module")
def model(bundle: Bundle) -> FaultModel:
    return bundle.classifier


def posterior(model: FaultModel, past: float, sd: float, guard_mean: float, guard_sd: float) -> Posterior:
    """One swing that lies `past` degrees past every edge."""
    n_guards = len(model.guarded)
    return Posterior(
        (model.edges + model.signs * past)[None],
        np.full((1, len(model.edges)), sd),
        np.full((1, n_guards), guard_mean),
        np.full((1, n_guards), guard_sd),
    )


@pytest.mark.parametrize("below", [-4.0, 0.0, 3.0])
def test_a_guard_holds_by_the_share_of_its_reading_below_the_edge(model: FaultModel, below: float) -> None:
    guard_sd = 2.0
    for guard, column in enumerate(model.guarded):
        read = posterior(model, 5.0, 2.0, model.guard_edges[guard] - below, guard_sd)
        chance = model.guard_chance(read)[0]
        assert chance[column] == pytest.approx(norm.cdf(below / guard_sd), abs=1e-12)
        assert np.isnan(np.delete(chance, model.guarded)).all()


@pytest.mark.parametrize("past", [-6.0, 0.0, 1.5, 6.0])
def test_softness_and_error_add_as_variances_and_a_guard_multiplies(model: FaultModel, past: float) -> None:
    read = posterior(model, past, 3.0, model.guard_edges[0] - 1.0, 2.0)
    expected = norm.cdf(past / np.sqrt(model.softness**2 + 3.0**2))
    expected[model.guarded] *= norm.cdf(0.5)
    np.testing.assert_allclose(model.uncalibrated(read, model.edges)[0], expected, atol=1e-12)
    np.testing.assert_allclose(
        model.probability(read, model.edges)[0],
        expit(model.offset + model.slope * logit(expected)),
        atol=1e-12,
    )
