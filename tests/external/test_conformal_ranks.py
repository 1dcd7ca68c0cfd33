"""Split conformal intervals (Angelopoulos & Bates 2021; facts.md, from memory and derived), and ours beside them.

The figures of facts.md are recomputed. Our 90 % intervals are calibrated in training, on its golfers; what split
conformal makes of golfers nobody has seen, one swing each since golfers are what counts, must ask for about the same.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import beta

from faultml.classifier.bundle import Bundle
from faultml.faults.catalogue import Catalogue
from faultml.pipelines.training.data import draw
from faultml.pipelines.training.evaluate import features_of, seen_measures
from faultml.synthetic.recipe import Recipe

ALPHA = 0.1
Z90 = 1.645
GOLFERS = 200


def conformal_rank(n: int, alpha: float = ALPHA) -> int:
    """Which of n scores, the smallest first, bounds a new one with a chance of 1 - alpha; over n: nothing does."""
    return int(np.ceil((n + 1) * (1 - alpha) - 1e-9))


def conformal_bound(scores: np.ndarray) -> float:
    rank = conformal_rank(len(scores))
    return float(np.sort(scores)[rank - 1]) if rank <= len(scores) else np.inf


def test_ranks_and_coverage_are_those_of_the_facts() -> None:
    assert conformal_rank(100) == 91
    assert [n for n in range(1, 30) if conformal_rank(n) > n] == list(range(1, 9))
    # Coverage given the calibration golfers: Beta(rank, n + 1 - rank).
    reported = beta(91, 10)
    assert reported.mean() == pytest.approx(0.901, abs=5e-4)
    assert reported.std() == pytest.approx(0.030, abs=5e-4)
    uniform = np.random.default_rng(3).random((4000, 100))  # a uniform score covers as much as its bound says
    drawn = np.array([conformal_bound(row) for row in uniform])
    assert (drawn.mean(), drawn.std()) == pytest.approx((reported.mean(), reported.std()), abs=2e-3)


def test_our_intervals_are_about_as_wide_as_split_conformal_asks_for(
    bundle: Bundle, catalogue: Catalogue
) -> None:
    drawn = draw(
        catalogue, Recipe(golfers=GOLFERS, sessions=1, swings=1, seed=4711, non_swing_share=0.0), jobs=1
    )
    features, _ = features_of(catalogue, bundle.detector, drawn)
    true = np.where(np.isnan(features.measures), np.nan, seen_measures(catalogue, drawn))
    posterior = bundle.classifier.posterior(features.values)
    scores = np.abs(posterior.mean - true) / posterior.sd
    asked = np.array([conformal_bound(column[np.isfinite(column)]) for column in scores.T]) / Z90
    assert len(asked) == len(catalogue.ids) and np.isfinite(scores).sum(axis=0).min() > 100
    # A little wide on everyday golfers: training has wilder ones too. Narrow is what must not be.
    assert 0.75 < np.median(asked) < 1.02
    assert asked.max() < 1.25
