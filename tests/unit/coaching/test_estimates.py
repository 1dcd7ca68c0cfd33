"""The statistics, held against brute force and against what they promise."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from faultml.coaching.estimates import rates, trends, within_sd
from faultml.coaching.rules import load_rules
from faultml.coaching.steadiness import session_faults
from faultml.faults.catalogue import load_catalogue
from faultml.results.sessions import natural_key, number_sessions, session_date

RULES = load_rules()


def test_the_posterior_is_the_mixture_of_betas_over_the_unknown_answers() -> None:
    """Mean and variance equal those of the mixture over all 2**n sets of answers, summed out exactly."""
    p = np.array([0.9, 0.7, 0.2, 0.55, 0.05, 0.97])
    reported = rates(np.arange(6) * 0, 1, np.ones(6), p, p * (1 - p), RULES.rate)
    counts = np.array([1.0])
    for each in p:
        counts = np.convolve(counts, [1 - each, each])
    k = np.arange(len(counts))
    size = 1 + (1 - 1) * RULES.rate.clustering  # sessions of one swing: every swing counts in full
    a, b = RULES.rate.prior_yes + k * size, RULES.rate.prior_no + (len(p) - k) * size
    mean = counts @ (a / (a + b))
    second = counts @ (a * (a + 1) / ((a + b) * (a + b + 1)))
    assert reported.mean[0] == pytest.approx(mean, abs=1e-12)
    matched = mean * (1 - mean) / (second - mean**2) - 1
    low, high = stats.beta.ppf([0.05, 0.95], mean * matched, (1 - mean) * matched)
    assert (reported.low[0], reported.high[0]) == pytest.approx((low, high), abs=1e-9)


def test_the_correlation_within_sessions_is_the_analysis_of_variance_by_hand() -> None:
    """Three sessions of ten swings with rates 0.8, 0.5, 0.2: mean squares 1.8 / (3 - 1) between and 5.7 / (30 - 3)
    within, so (0.9 - 0.2111) / (0.9 + 9 * 0.2111); it counts for two sessions beside the prior.
    """
    yes = np.array([8.0, 5.0, 2.0])
    found = rates(np.zeros(3, dtype=int), 1, np.full(3, 10.0), yes, np.zeros(3), RULES.rate)
    between, within = 1.8 / 2, 5.7 / 27
    correlation = (between - within) / (between + 9 * within)
    prior, weight = RULES.rate.clustering, RULES.rate.clustering_weight
    drawn = (weight * prior + 2 * correlation) / (weight + 2)
    assert found.effective[0] == pytest.approx(30 / (1 + 9 * drawn), rel=1e-12)


def test_swings_of_one_session_count_for_less_than_swings_of_many() -> None:
    n, p = np.full(12, 10.0), np.full(12, 8.0)
    pq = np.full(12, 0.5)
    many = rates(np.zeros(12, dtype=int), 1, n, p, pq, RULES.rate)
    one = rates(np.zeros(1, dtype=int), 1, np.array([120.0]), np.array([96.0]), np.array([6.0]), RULES.rate)
    assert one.effective[0] < 1 / RULES.rate.clustering + 1
    assert many.effective[0] > 3 * one.effective[0]
    assert many.high[0] - many.low[0] < one.high[0] - one.low[0]


def test_sessions_that_disagree_widen_the_interval() -> None:
    n, pq = np.full(6, 12.0), np.zeros(6)
    alike = rates(np.zeros(6, dtype=int), 1, n, np.full(6, 6.0), pq, RULES.rate)
    apart = rates(np.zeros(6, dtype=int), 1, n, np.array([12.0, 0, 12, 0, 12, 0]), pq, RULES.rate)
    assert apart.high[0] - apart.low[0] > 1.3 * (alike.high[0] - alike.low[0])


@pytest.mark.parametrize(
    ("correlation", "sessions", "swings"), [(0.05, 4, 12), (0.25, 1, 20), (0.25, 6, 10), (0.4, 4, 12)]
)
def test_the_interval_covers_the_true_rate(correlation: float, sessions: int, swings: int) -> None:
    """Over players from the prior, whose sessions differ, the 90 % interval holds the truth."""
    rng, players = np.random.default_rng(11), 3000
    truth = np.clip(rng.beta(RULES.rate.prior_yes, RULES.rate.prior_no, players), 1e-6, 1 - 1e-6)
    size = 1 / correlation - 1
    of_session = rng.beta(truth[:, None] * size, (1 - truth[:, None]) * size, (players, sessions))
    yes = rng.binomial(swings, of_session).astype(float).ravel()
    group = np.repeat(np.arange(players), sessions)
    reported = rates(group, players, np.full(yes.shape, float(swings)), yes, np.zeros_like(yes), RULES.rate)
    covered = np.mean((reported.low <= truth) & (truth <= reported.high))
    assert 0.87 <= covered <= 0.995


def _trend(means: list[float], *, swings: float = 10, worse: float = 1.0) -> tuple[str, float, float, float]:
    n = len(means)
    reported = trends(
        np.zeros(n, dtype=int),
        1,
        np.arange(n, dtype=float),
        np.full(n, float(swings)),
        np.array(means),
        np.array([worse]),
        np.array([1.0]),
        RULES.trend,
    )
    return str(reported.word[0]), float(reported.change[0]), float(reported.low[0]), float(reported.high[0])


def test_a_trend_is_reported_only_where_the_sessions_carry_it() -> None:
    assert _trend([30, 27, 24, 22, 18])[0] == "improving"
    assert _trend([18, 22, 24, 27, 30])[0] == "worsening"
    assert _trend([-18, -22, -24, -27, -30], worse=-1.0)[0] == "worsening"
    assert _trend([20, 20.5, 19.8, 20.2, 20.1])[0] == "steady"
    assert _trend([10, 30, 12, 28, 9])[0] == "unknown"
    assert _trend([30, 20])[0] == "unknown"
    assert _trend([30, 27, 24], swings=2)[0] == "unknown"


def test_a_change_too_small_to_matter_is_steady_however_sure() -> None:
    word, change, _, high = _trend([21.0, 20.5, 20.0, 19.5, 19.0])
    assert change == pytest.approx(-2.0)
    assert high < 0
    assert word == "steady"


def test_the_trend_is_that_of_ordinary_least_squares() -> None:
    means = [30.0, 26.0, 27.0, 21.0, 20.0, 19.0]
    line = stats.linregress(np.arange(6), means)
    reach = stats.t.ppf(0.95, 4) * line.stderr * 5
    _, change, low, high = _trend(means)
    assert (change, low, high) == pytest.approx(
        (line.slope * 5, line.slope * 5 - reach, line.slope * 5 + reach)
    )


def test_the_spread_within_sessions_leaves_out_what_lies_between_them_and_the_landmark_error() -> None:
    rng = np.random.default_rng(3)
    values = rng.normal(0, 4, (40, 30)) + rng.normal(0, 20, (40, 1)) + rng.normal(0, 3, (40, 30))
    sd = within_sd(
        np.zeros(40, dtype=int),
        1,
        np.full(40, 30.0),
        values.sum(1),
        (values**2).sum(1),
        np.full(40, 30 * 9.0),
    )
    assert sd[0] == pytest.approx(4, abs=0.3)


def _spread_table(sd: float, error: float, *, swings: int, sessions: int, clubs: int = 1) -> pd.DataFrame:
    rng = np.random.default_rng(9)
    rows = []
    for session in range(sessions):
        for club in range(clubs):
            values = 12.0 * club + rng.normal(0, np.hypot(sd, error), swings // clubs)
            rows.append(
                {
                    "player": "p",
                    "session": f"s{session}",
                    "club": str(club),
                    "fault": "flip",
                    "n": float(len(values)),
                    "measure": values.sum(),
                    "measure2": (values**2).sum(),
                    "error2": len(values) * error**2,
                }
            )
    return pd.DataFrame(rows)


@pytest.mark.parametrize(("sd", "expected"), [(2.0, 0.03), (6.0, 0.5), (12.0, 0.97)])
def test_a_wandering_wrist_is_judged_with_landmark_error_taken_out(sd: float, expected: float) -> None:
    judged = session_faults(_spread_table(sd, 4.0, swings=12, sessions=60), load_catalogue())
    assert judged["fault"].unique().tolist() == ["inconsistent_face"]
    assert judged["p"].mean() == pytest.approx(expected, abs=0.12)


def test_clubs_are_compared_each_with_itself() -> None:
    judged = session_faults(_spread_table(2.0, 1.0, swings=16, sessions=20, clubs=2), load_catalogue())
    assert judged["p"].max() < 0.2, "a driver's other angle is no inconsistency"


def test_under_five_swings_a_session_is_not_judged() -> None:
    assert session_faults(_spread_table(12.0, 1.0, swings=4, sessions=5), load_catalogue()).empty


def test_sessions_stand_in_the_order_of_time() -> None:
    labels = ["2031-10-02", "2031-9-30", "s10", "s2", "2031-04-05"]
    assert sorted(labels, key=natural_key) == ["2031-04-05", "2031-9-30", "2031-10-02", "s2", "s10"]
    rows = pd.DataFrame({"player": ["a", "a", "b", "a"], "session": ["s10", "s2", "s10", "s10"]})
    assert number_sessions(rows).tolist() == [1, 0, 0, 1]
    assert str(session_date("2031-04-05-evening")) == "2031-04-05"
    assert session_date("2031-13-05") is None
    assert session_date("spring") is None
