"""Promises of flags: valid over many draws of clustered golfers, not idle, and stated with what they rest on."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from faultml.classifier.promise import (
    FALSE_SHARES,
    THRESHOLDS,
    FaultPromise,
    Promises,
    betting_p_value,
    golfers_needed,
    lowest_threshold,
)

SHARE = 0.10


def draw(
    random: np.random.Generator, golfers: int, wrong_at: dict[float, float]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Swings of golfers who are alike in themselves: chance, wrong, whose. Each level of chance has its share wrong."""
    levels = np.array(sorted(wrong_at))
    owner = np.repeat(np.arange(golfers), 4)
    level = levels[random.integers(0, len(levels), golfers)][owner]
    share = np.array([wrong_at[each] for each in level])
    # Golfers differ: some are mostly judged wrongly, most hardly ever; the share holds over golfers.
    concentration = 0.6
    own = random.beta(
        np.maximum(share[::4], 1e-9) * concentration, np.maximum(1 - share[::4], 1e-9) * concentration
    )
    wrong = (random.random(len(owner)) < own[owner]).astype(float)
    return level, wrong, owner.astype(str).astype(object)


@pytest.mark.parametrize("golfers", [60, 400])
def test_the_share_is_exceeded_in_one_draw_of_twenty_at_most(golfers: int) -> None:
    """Just above the share at every threshold: whatever is kept then breaks the promise."""
    random = np.random.default_rng(5)
    draws = 600
    broken = 0
    for _ in range(draws):
        chance, wrong, whose = draw(random, golfers, {0.97: SHARE + 0.002})
        broken += lowest_threshold(chance, chance > 0, wrong, whose, SHARE) is not None
    # One-sided 99.9 % bound of a binomial about the allowed five in a hundred.
    assert broken <= binom.ppf(0.999, draws, 0.05)


def test_thresholds_are_kept_where_they_hold_and_not_where_they_do_not() -> None:
    """Wrong in 3 % from 0.8 on and in 40 % below: the lowest threshold kept is the first above the bad ones."""
    random = np.random.default_rng(6)
    wrong_at = {0.52: 0.4, 0.62: 0.4, 0.72: 0.4, 0.82: 0.03, 0.92: 0.03, 0.97: 0.03}
    kept = []
    for _ in range(50):
        chance, wrong, whose = draw(random, 1500, wrong_at)
        kept.append(lowest_threshold(chance, chance > 0, wrong, whose, SHARE))
    assert np.mean([threshold is not None and threshold >= 0.65 for threshold in kept]) > 0.95
    assert np.mean([threshold is not None and threshold <= 0.80 for threshold in kept]) > 0.9, "not idle"


def test_what_is_rarely_flagged_or_hardly_known_is_promised_nothing() -> None:
    random = np.random.default_rng(7)
    chance, wrong, whose = draw(random, 12, {0.97: 0.0})
    assert lowest_threshold(chance, chance > 0, wrong, whose, SHARE) is None
    chance, wrong, whose = draw(random, 500, {0.2: 0.0})
    assert lowest_threshold(chance, chance > 0, wrong, whose, SHARE) is None


def test_a_p_value_is_one_where_golfers_are_wrong_and_small_where_they_are_not() -> None:
    assert betting_p_value(np.full(100, 0.5), 0.9) == 1.0
    assert betting_p_value(np.full(400, -0.1), 0.9) < 1e-3
    assert betting_p_value(np.zeros(100), 0.9) == 1.0


def test_p_values_are_as_rare_as_they_say() -> None:
    """At the hypothesis' edge a p-value below 5 % comes in 5 % of the draws at most, skewed as flags are."""
    random = np.random.default_rng(8)
    below = sum(
        betting_p_value(np.where(random.random(300) < 0.1, 0.9, -0.1), 0.9) <= 0.05 for _ in range(1000)
    )
    assert below <= binom.ppf(0.999, 1000, 0.05)


@pytest.mark.parametrize(("faults", "golfers"), [(1, 29), (17, 56)])
def test_golfers_needed_is_the_exact_binomial(faults: int, golfers: int) -> None:
    """Zero wrong of n: scipy's binomial; about 55 golfers for 17 faults."""
    assert golfers_needed(SHARE, faults) == golfers
    assert binom.cdf(0, golfers, SHARE) <= 0.05 / faults < binom.cdf(0, golfers - 1, SHARE)


def test_thresholds_come_by_side_and_share() -> None:
    one = FaultPromise(marked=(None, 0.5, 0.5, 0.5, 0.5), not_marked=(None, 0.8, 0.6, 0.5, 0.5))
    promises = Promises(
        held_on="generated golfers",
        golfers=9,
        false_shares=FALSE_SHARES,
        confidence=0.95,
        faults={"flip": one},
    )
    found = promises.thresholds(("flip", "other"), 0.10)
    np.testing.assert_array_equal(found, [[0.8, np.nan], [0.5, np.nan]])
    assert np.isnan(promises.thresholds(("flip",), 0.05)).all()
    with pytest.raises(ValueError, match=r"found 0\.07"):
        promises.thresholds(("flip",), 0.07)
    assert THRESHOLDS[0] == 0.5
