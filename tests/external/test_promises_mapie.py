"""Promises held against MAPIE's `BinaryClassificationController` (1.6; its precision is one minus our share of wrong).

It knows swings and no golfers, so the two must agree where each golfer gives one swing; where golfers give several it
promises too much, which is why ours is our own.
"""

from __future__ import annotations

import warnings

import numpy as np
from mapie.risk_control import BinaryClassificationController, precision

from faultml.classifier.promise import THRESHOLDS, lowest_threshold

SHARE = 0.10
STEP = THRESHOLDS[1] - THRESHOLDS[0]


def by_mapie(chance: np.ndarray, yes: np.ndarray) -> float | None:
    """The lowest threshold that it finds valid, by fixed-sequence testing from the strictest on."""
    controller = BinaryClassificationController(
        lambda rows: np.column_stack([1 - rows[:, 0], rows[:, 0]]),
        precision,
        target_level=1 - SHARE,
        confidence_level=0.95,
        list_predict_params=np.array(THRESHOLDS[::-1]),
        fwer_method="fixed_sequence",
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns where it finds none
        controller.calibrate(chance[:, None], yes.astype(int))
    valid = np.ravel(controller.valid_predict_params)
    return float(valid.min()) if len(valid) else None


def by_us(chance: np.ndarray, yes: np.ndarray, golfers: np.ndarray) -> float | None:
    whose = golfers.astype(str).astype(object)
    return lowest_threshold(chance, chance > 0, 1.0 - yes, whose, SHARE)


def test_with_one_swing_a_golfer_both_keep_about_the_same_threshold() -> None:
    random = np.random.default_rng(11)
    steps, kept = [], 0
    for _ in range(20):
        chance = random.beta(0.25, 0.75, 6000)
        yes = random.random(len(chance)) < chance
        ours, theirs = by_us(chance, yes, np.arange(len(chance))), by_mapie(chance, yes)
        kept += ours is not None
        if ours is not None and theirs is not None:
            steps.append(round((ours - theirs) / STEP))
    # A bound that also holds for means per golfer is a step the stricter for it; both find about the same.
    assert kept >= 16 and len(steps) >= 16
    assert min(steps) >= -1 and max(steps) <= 2
    assert np.median(steps) <= 1


def test_counting_swings_breaks_the_promise_where_counting_golfers_keeps_it() -> None:
    """Golfers of eight swings who are all judged right or all wrong; wrong just above the share."""
    random = np.random.default_rng(12)
    broken = np.zeros(2)
    draws = 100
    for _ in range(draws):
        golfers = np.repeat(np.arange(150), 8)
        yes = (random.random(150) >= SHARE + 0.005)[golfers]
        chance = np.full(len(golfers), 0.97)
        broken += [by_us(chance, yes, golfers) is not None, by_mapie(chance, yes) is not None]
    # One-sided 99.9 % bound of a binomial about five in a hundred: 12.
    assert broken[0] <= 12
    assert broken[1] >= 20
