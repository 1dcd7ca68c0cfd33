"""How often, how steadily, which way: the statistics behind a player's row, for many groups at once.

Swings of one session are alike, so they are worth less than their number: `Rates.effective` says how much.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv, stdtrit

from faultml.coaching.rules import RateRules, TrendRules

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def add_up(group: Ints, values: NDArray, n_groups: int) -> Floats:
    """Sum the values of each group, ``(n_groups,)``."""
    return np.bincount(group, values, n_groups).astype(float)


def difference(squares: Floats, removed: Floats) -> Floats:
    """A sum of squares less what the mean explains of it; what rounding alone could leave is zero.

    Without this the order of the sums would show: the root of a rounding error is a large number.
    """
    left = squares - removed
    return np.where(left > 1e-10 * squares, left, 0.0)


class Rates(NamedTuple):
    """Posterior of the share of swings in which a fault shows: mean and interval, ``(n_groups,)`` each."""

    mean: Floats
    low: Floats
    high: Floats
    effective: Floats
    """The number of independent swings the data are worth."""


class Trends(NamedTuple):
    """Change of the measure from first to last session, ``(n_groups,)`` each; NaN where it is not known."""

    change: Floats
    low: Floats
    high: Floats
    word: NDArray[np.object_]


def rates(group: Ints, n_groups: int, n: Floats, p: Floats, pq: Floats, rules: RateRules) -> Rates:
    """How often a fault shows, from sums over the swings of each session.

    Each swing's answer is unknown and has a calibrated probability. Given the answers the posterior is a
    Beta; over the answers it is a mixture of Betas, of which mean and variance are exact and whose interval
    is that of the Beta with the same two. The counts are first reduced to the effective number of swings.

    Parameters
    ----------
    group
        The group (player and fault) of each session, ``(n_sessions,)``.
    n, p, pq
        Each session's number of swings, sum of probabilities, and sum of ``p(1-p)``.
    """
    clustering = _clustering(group, n_groups, n, p, rules)
    weight = n / (1 + (n - 1) * clustering[group])
    swings = add_up(group, weight, n_groups)
    share = np.divide(weight, n, out=np.zeros_like(weight), where=n > 0)
    yes = add_up(group, share * p, n_groups)
    doubt = add_up(group, share * pq, n_groups)
    total = rules.prior_yes + rules.prior_no + swings
    mean = (rules.prior_yes + yes) / total
    variance = mean * (1 - mean) / (total + 1) + doubt / (total * (total + 1))
    size = np.maximum(mean * (1 - mean) / variance - 1, 1e-6)
    tail = (1 - rules.interval) / 2
    low, high = betaincinv(mean * size, (1 - mean) * size, [[tail], [1 - tail]])
    return Rates(mean, low, high, swings)


def _clustering(group: Ints, n_groups: int, n: Floats, p: Floats, rules: RateRules) -> Floats:
    """Correlation between swings of one session: the one-way analysis of variance, drawn toward the prior."""
    sessions = add_up(group, n > 0, n_groups)
    swings = add_up(group, n, n_groups)
    rate = np.divide(p, n, out=np.zeros_like(p), where=n > 0)
    overall = add_up(group, p, n_groups) / np.maximum(swings, 1)
    between = add_up(group, n * (rate - overall[group]) ** 2, n_groups) / np.maximum(sessions - 1, 1)
    within = add_up(group, n * rate * (1 - rate), n_groups) / np.maximum(swings - sessions, 1)
    size = (swings - add_up(group, n**2, n_groups) / np.maximum(swings, 1)) / np.maximum(sessions - 1, 1)
    total = between + (size - 1) * within
    determined = (sessions > 1) & (swings > sessions) & (total > 0)
    found = np.clip(np.divide(between - within, total, out=np.zeros_like(total), where=determined), 0, 1)
    known = np.where(determined, sessions - 1, 0.0)
    return (rules.clustering_weight * rules.clustering + known * found) / (rules.clustering_weight + known)


def trends(
    group: Ints,
    n_groups: int,
    order: Floats,
    n: Floats,
    mean: Floats,
    worse: Floats,
    to_degrees: Floats,
    rules: TrendRules,
) -> Trends:
    """Straight lines through the session means.

    Parameters
    ----------
    group
        The group of each session, ``(n_sessions,)``.
    order
        Each session's place in the player's order, 0 for the first.
    n, mean
        Each session's number of measured swings, and their mean measure in the fault's own unit.
    worse, to_degrees
        Per group, ``(n_groups,)``: +1 or -1, the direction in which the measure gets worse; factor to
        degrees.

    Returns
    -------
    Trends
        In the fault's own unit, + for worse, with a 90 % interval from the scatter of the sessions around
        the line.
    """
    use = n >= rules.min_swings
    group, order, mean = group[use], order[use], mean[use]
    count = add_up(group, np.ones(len(group)), n_groups)

    def total(values: Floats) -> Floats:
        return add_up(group, values, n_groups)

    safe = np.maximum(count, 1)
    x, y = order - (total(order) / safe)[group], mean - (total(mean) / safe)[group]
    spread = total(x * x)
    first, last = np.full(n_groups, np.inf), np.full(n_groups, -np.inf)
    np.minimum.at(first, group, order)
    np.maximum.at(last, group, order)
    determined = (count >= rules.min_sessions) & (spread > 0)
    slope = np.divide(total(x * y), spread, out=np.full(n_groups, np.nan), where=determined)
    rest = total((y - slope[group] * x) ** 2)
    freedom = np.maximum(count - 2, 1)
    error = np.sqrt(np.divide(rest / freedom, spread, out=np.full(n_groups, np.nan), where=determined))
    span = np.where(determined, last - first, np.nan)
    change = slope * span * worse
    reach = stdtrit(freedom, 0.95) * error * span
    low, high = change - reach, change + reach
    return Trends(
        change, low, high, _trend_words(change * to_degrees, low * to_degrees, high * to_degrees, rules)
    )


def _trend_words(change: Floats, low: Floats, high: Floats, rules: TrendRules) -> NDArray[np.object_]:
    """Degrees to words: a change is reported where its interval leaves out zero and it is large enough."""
    large = np.abs(change) >= rules.min_change_deg
    return np.select(
        [(high < 0) & large, (low > 0) & large, (low > -rules.steady_deg) & (high < rules.steady_deg)],
        ["improving", "worsening", "steady"],
        "unknown",
    ).astype(object)


def within_sd(group: Ints, n_groups: int, n: Floats, total: Floats, squares: Floats, error: Floats) -> Floats:
    """SD of a measure inside sessions, its own error taken out; NaN where no session has two swings.

    `n`, `total`, `squares` and `error` are each session's number of swings, and sums of measure, its square
    and its error variance.
    """
    scatter = difference(squares, np.divide(total**2, n, out=np.zeros_like(total), where=n > 0))
    freedom = add_up(group, np.maximum(n - 1, 0), n_groups)
    swings = add_up(group, n, n_groups)
    variance = np.divide(
        add_up(group, scatter, n_groups), freedom, out=np.full(n_groups, np.nan), where=freedom > 0
    )
    noise = np.divide(add_up(group, error, n_groups), swings, out=np.zeros(n_groups), where=swings > 0)
    return np.sqrt(np.maximum(variance - noise, 0))
