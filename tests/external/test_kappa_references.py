"""Agreement against scikit-learn's kappa, scipy's bootstrap, and the figures derived in facts."""

from __future__ import annotations

import msgspec
import numpy as np
import pandas as pd
import pytest
from scipy.stats import bootstrap
from sklearn.metrics import cohen_kappa_score

from faultml.labels import agreement
from faultml.labels.agree import kappa, kappa_interval
from faultml.labels.rules import load_label_rules

RULES = load_label_rules().agreement
GOLFERS, SWINGS, LAPSE_RATE, PREVALENCE = 25, 40, 0.15, 0.3


def two_raters(seed: int) -> pd.DataFrame:
    """Two coaches with lapses of their own; how often a golfer shows the fault varies."""
    rng = np.random.default_rng(seed)
    share = rng.beta(3, 7, GOLFERS)
    truth = rng.random((GOLFERS, SWINGS)) < share[:, None]
    rows = []
    for coach in ("ann", "bob"):
        says = truth ^ (rng.random(truth.shape) < LAPSE_RATE)
        for golfer, swing in np.ndindex(truth.shape):
            verdict = "unsure" if rng.random() < 0.05 else "yes" if says[golfer, swing] else "no"
            rows.append((f"g{golfer:02d}", "s", str(swing), "flip", verdict, coach, "1"))
    columns = ["player", "session", "swing", "fault", "verdict", "coach", "occasion"]
    return pd.DataFrame(rows, columns=columns).assign(comment="")


def joined(verdicts: pd.DataFrame) -> pd.DataFrame:
    wide = verdicts.pivot_table("verdict", ["player", "swing"], "coach", aggfunc="first")
    return wide[(wide != "unsure").all(axis=1)].reset_index()


def test_kappa_is_scikit_learns() -> None:
    # External: sklearn.metrics.cohen_kappa_score.
    verdicts = two_raters(1)
    row = agreement(verdicts).set_index("fault").loc["flip"]
    sure = joined(verdicts)
    assert row["kappa"] == pytest.approx(cohen_kappa_score(sure["ann"], sure["bob"]), abs=1e-12)
    assert row["swings"] == len(sure)
    assert row["left_out"] == GOLFERS * SWINGS - len(sure)
    assert row["agree"] == pytest.approx((sure["ann"] == sure["bob"]).mean())


def test_the_interval_is_scipys_over_golfers() -> None:
    # External: scipy.stats.bootstrap, percentile, drawing golfers.
    verdicts = two_raters(2)
    sure = joined(verdicts)
    yes = sure[["ann", "bob"]].eq("yes").to_numpy()
    cells = np.stack([yes.all(1), yes[:, 0] & ~yes[:, 1], ~yes[:, 0] & yes[:, 1], ~yes.any(1)], axis=1)
    counts = pd.DataFrame(cells).groupby(sure["player"]).sum().to_numpy(dtype=float)

    def statistic(golfers: np.ndarray, axis: int) -> np.ndarray:
        assert axis in (-1, golfers.ndim - 1)
        return kappa(counts[golfers].sum(axis=-2))

    theirs = bootstrap(
        (np.arange(GOLFERS),), statistic, n_resamples=20_000, method="percentile", rng=3,
        confidence_level=RULES.interval,
    ).confidence_interval  # fmt: skip
    row = agreement(verdicts).set_index("fault").loc["flip"]
    assert (row["kappa_lo"], row["kappa_hi"]) == pytest.approx(tuple(theirs), abs=0.01)
    assert kappa_interval(counts, RULES) == (row["kappa_lo"], row["kappa_hi"])


def test_golfers_are_drawn_and_not_swings() -> None:
    # Derived: with ten identical golfers nothing varies between draws; drawing swings would make a wide interval.
    verdicts = two_raters(3)
    first = verdicts[verdicts["player"] == "g00"]
    alike = pd.concat([first.assign(player=f"g{at}") for at in range(10)])
    row = agreement(alike).set_index("fault").loc["flip"]
    assert row["kappa_lo"] == pytest.approx(row["kappa"]) == row["kappa_hi"]


def test_two_raters_with_lapses() -> None:
    # facts.md, derived: both flip 15 %, prevalence 0.3: 0.447 between them, 0.66 against the truth.
    hit, miss = 1 - LAPSE_RATE, LAPSE_RATE
    both = np.array([PREVALENCE * each * other + (1 - PREVALENCE) * (1 - each) * (1 - other)
                     for each, other in ((hit, hit), (hit, miss), (miss, hit), (miss, miss))])  # fmt: skip
    assert kappa(both) == pytest.approx(0.447, abs=5e-4)
    truth = np.array([hit * PREVALENCE, miss * (1 - PREVALENCE), miss * PREVALENCE, hit * (1 - PREVALENCE)])
    assert kappa(truth) == pytest.approx(0.66, abs=5e-3)


def test_the_interval_covers() -> None:
    # As statistics: over draws of golfers who differ, the interval holds the true kappa about as often as it says.
    rng = np.random.default_rng(5)
    share = rng.beta(3, 7, (200, GOLFERS, 1))
    truth = rng.random((200, GOLFERS, 20)) < share
    first, second = (truth ^ (rng.random(truth.shape) < LAPSE_RATE) for _ in range(2))
    cells = np.stack([first & second, first & ~second, ~first & second, ~first & ~second], axis=-1)
    counts = cells.sum(axis=2).astype(float)
    fewer = msgspec.structs.replace(RULES, draws=500)
    covered = []
    for season in counts:
        low, high = kappa_interval(season, fewer)
        covered.append(low <= 0.447 <= high)
    assert 0.88 <= np.mean(covered) <= 0.98
