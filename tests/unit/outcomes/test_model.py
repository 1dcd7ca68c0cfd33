"""The change of a player's true mean, held against conditioning a normal density by brute force."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest

from faultml.outcomes.model import GroupModel, mixture_quantiles
from faultml.outcomes.rules import Correlation, load_outcome_rules
from faultml.outcomes.session_means import Sessions

RULES = msgspec.structs.replace(load_outcome_rules().group, correlation=(Correlation(value=0.7, weight=1.0),))
Y = np.array([9.0, 12.0, 8.0, 2.0, 4.0])
WINDOW = np.array([0, 0, 0, 1, 1])
N = np.full(5, 8.0)


def test_means_that_err_together_are_conditioned_together() -> None:
    """One player; the true mean before has the prior N(mu, omega^2), that after a flat one."""
    sessions = Sessions(np.zeros(5, dtype=np.int64), np.arange(5.0), N, Y, np.full(5, 60.0))
    model = GroupModel(sessions, 1, WINDOW, 2, -5.0, RULES)
    pair = model.free.pair(np.array([0]), np.array([0]), np.array([1]))
    found = model.changes(pair)
    flat, swing_variance = 1e5, 5 * 60 / (5 * 7)
    tau = 3.0 * 1.8 ** np.linspace(-2.5, 2.5, 11)
    omega = 8.0 * 1.8 ** np.linspace(-2.5, 2.5, 9)
    design = np.column_stack([WINDOW == 0, WINDOW == 1]).astype(float)
    lag = np.abs(np.subtract.outer(np.arange(5.0), np.arange(5.0)))
    for t, o in ((2, 1), (5, 4), (8, 6)):
        error = tau[t] ** 2 * 0.7**lag + np.eye(5) * swing_variance / 8
        # mu has a prior of its own, so before the data the mean before is N(typical, omega^2 + typical_sd^2).
        prior = np.diag([omega[o] ** 2 + RULES.typical_sd_deg**2, flat])
        gain = prior @ design.T @ np.linalg.inv(design @ prior @ design.T + error)
        centre = np.array([-5.0, 0.0])
        mean = centre + gain @ (Y - design @ centre)
        covariance = prior - gain @ design @ prior
        assert found.mean[t, o, 0] == pytest.approx(mean[1] - mean[0], abs=0.05)
        variance = covariance[0, 0] + covariance[1, 1] - 2 * covariance[0, 1]
        assert found.variance[t, o, 0] == pytest.approx(variance, rel=0.01)


def test_quantiles_of_a_mixture_leave_out_only_what_weighs_nothing() -> None:
    weight = np.array([0.5, 0.5 - 1e-9, 1e-9])
    mean, sd = np.array([[0.0], [0.0], [50.0]]), np.ones((3, 1))
    low, high = mixture_quantiles(weight, mean, sd, (0.05, 0.95))[:, 0]
    assert (low, high) == pytest.approx((-1.6449, 1.6449), abs=0.01)
