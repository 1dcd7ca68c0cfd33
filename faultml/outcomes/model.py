"""A group's session means as a model: swings scatter in a session, sessions about a player, players about the group.

    session mean = player's true mean + session (SD tau) + swings (SD s / sqrt(n))
    player's true mean = group's mean mu + player (SD omega)

Players are worked with when they look bad. Seen from the group and from the player's own longer record, part of
that was chance, and the posterior of the true mean says how much: choosing by it, or by anything that is in the
data, does not bend it (regression to the mean). tau and omega are summed over a grid, mu is integrated exactly.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from faultml.outcomes.rules import GroupRules

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_REACH: Final = 2.5
"""The grid reaches so many SD of the prior of each logarithm."""

N_TAU: Final = 11
N_OMEGA: Final = 9


@dataclass(frozen=True)
class Sessions:
    """Session means of one fault, degrees past the edge (+ worse), ``(n_sessions,)`` each.

    Attributes
    ----------
    player
        Number of the player.
    n, mean, scatter
        Swings, their mean, and their sum of squares about it.
    """

    player: Ints
    n: Floats
    mean: Floats
    scatter: Floats

    def __len__(self) -> int:
        return len(self.n)

    def take(self, rows: Bools) -> Sessions:
        """Some of the sessions."""
        return Sessions(self.player[rows], self.n[rows], self.mean[rows], self.scatter[rows])


@dataclass(frozen=True)
class Means:
    """Means over periods of sessions, weighed for each session SD: ``(n_tau, n_periods)`` each.

    A period without sessions has weight 0 and an arbitrary mean.
    """

    weight: Floats
    mean: Floats


@dataclass(frozen=True)
class Guess:
    """Something unknown at every point of the grid, ``(n_tau, n_omega, n_periods)`` each, degrees.

    ``shared_variance`` is the part of the variance that is common to all periods.
    """

    mean: Floats
    variance: Floats
    shared_variance: Floats


def log_grid(centre: float, factor: float, size: int) -> tuple[Floats, Floats]:
    """Nodes and log weights of a lognormal prior, ``(size,)`` each."""
    steps = np.linspace(-_REACH, _REACH, size)
    return centre * factor**steps, -(steps**2) / 2


class GroupModel:
    """The posterior of a group's spread on the grid, and what it says of any period of sessions.

    Parameters
    ----------
    sessions
        All sessions without feedback.
    n_players
        Players there are, with sessions or without.
    period
        The period of a player's season each belongs to, ``(n_sessions,)``: one true mean a period.
    drawn
        Periods that are the group as it is, before any drill, ``(n_periods,)``; of the others only the scatter of
        their sessions is used.
    typical_deg
        Prior of the group's mean.
    """

    def __init__(
        self,
        sessions: Sessions,
        n_players: int,
        period: Ints,
        drawn: Bools,
        typical_deg: float,
        rules: GroupRules,
    ) -> None:
        self._tau, tau_prior = log_grid(rules.session_deg, rules.factor, N_TAU)
        self._omega, omega_prior = log_grid(rules.between_deg, rules.factor, N_OMEGA)
        self._swing_variance = _swing_variances(sessions, n_players, rules.swings_known)
        within = self._within(sessions, period, len(drawn))
        between, self._mu, self._mu_variance = self._between(
            self.means(sessions, period, len(drawn)), drawn, typical_deg, rules.typical_sd_deg
        )
        log_weight = tau_prior[:, None] + omega_prior + within[:, None] + between
        weight = np.exp(log_weight - log_weight.max())
        self.weight = weight / weight.sum()
        """Posterior weight of each point of the grid, ``(n_tau, n_omega)``."""

    @property
    def session_sd_deg(self) -> float:
        """Posterior mean of tau: how much a player's sessions differ."""
        return float(self.weight.sum(axis=1) @ self._tau)

    def swing_sd_deg(self, players: Ints) -> Floats:
        """How much a player's swings differ within a session, drawn toward what is common in the group."""
        return np.sqrt(self._swing_variance[players])

    def means(self, sessions: Sessions, period: Ints, n_periods: int) -> Means:
        """Weighed means over periods of sessions."""
        precision = self._precision(sessions)
        weight = _sums(precision, period, n_periods)
        total = _sums(precision * sessions.mean, period, n_periods)
        return Means(weight, np.divide(total, weight, out=np.zeros_like(total), where=weight > 0))

    def true_means(self, means: Means) -> Guess:
        """The true means behind periods of sessions of the group as it is."""
        error = _variance(means.weight)[:, None, :]
        own = 1 / (1 + error / self._omega[:, None] ** 2)
        rest = 1 - own
        shared = rest**2 * self._mu_variance[:, :, None]
        mean = own * means.mean[:, None, :] + rest * self._mu[:, :, None]
        return Guess(mean, self._omega[:, None] ** 2 * rest + shared, shared)

    def changes(self, before: Means, after: Means) -> Guess:
        """Change of the true mean, nothing assumed of its size; + is worse."""
        base = self.true_means(before)
        error = _variance(after.weight)[:, None, :]
        return Guess(after.mean[:, None, :] - base.mean, base.variance + error, base.shared_variance)

    def average(self, values: Floats) -> Floats:
        """Posterior mean over the grid, ``(n_periods,)``, of ``(n_tau, n_omega or 1, n_periods)``."""
        weight = self.weight if values.shape[1] > 1 else self.weight.sum(axis=1, keepdims=True)
        return np.einsum("to,tog->g", weight, values)

    def _precision(self, sessions: Sessions) -> Floats:
        return 1 / (self._tau[:, None] ** 2 + self._swing_variance[sessions.player] / sessions.n)

    def _within(self, sessions: Sessions, period: Ints, n_periods: int) -> Floats:
        """Log likelihood of the sessions' scatter about their periods' means, ``(n_tau,)``."""
        precision = self._precision(sessions)
        means = self.means(sessions, period, n_periods)
        off = sessions.mean - means.mean[:, period]
        used = np.where(means.weight > 0, means.weight, 1.0)
        return 0.5 * (
            np.log(precision).sum(axis=1) - np.log(used).sum(axis=1) - (precision * off**2).sum(axis=1)
        )

    def _between(
        self, means: Means, drawn: Bools, typical_deg: float, typical_sd_deg: float
    ) -> tuple[Floats, Floats, Floats]:
        """Log likelihood of the periods' means, and the group's mean and its variance; ``(n_tau, n_omega)`` each."""
        use = drawn & (means.weight[0] > 0)
        mean = means.mean[:, None, use]
        variance = self._omega[:, None] ** 2 + 1 / means.weight[:, None, use]
        prior = 1 / typical_sd_deg**2
        precision = prior + (1 / variance).sum(axis=2)
        pull = prior * typical_deg + (mean / variance).sum(axis=2)
        squares = prior * typical_deg**2 + (mean**2 / variance).sum(axis=2)
        log = -0.5 * (np.log(variance).sum(axis=2) + np.log(precision) + squares - pull**2 / precision)
        return log, pull / precision, 1 / precision


def mixture_quantiles(weight: Floats, mean: Floats, sd: Floats, shares: tuple[float, ...]) -> Floats:
    """Quantiles of mixtures of normals, ``(n_shares, n_periods)``, read off 201 points of each.

    `weight` is ``(n_points,)``, `mean` and `sd` are ``(n_points, n_periods)``.
    """
    middle = weight @ mean
    spread = np.sqrt(weight @ (sd**2 + (mean - middle) ** 2))
    steps = np.linspace(-5, 5, 201)
    found = np.empty((len(shares), mean.shape[1]))
    for period in range(mean.shape[1]):
        at = middle[period] + spread[period] * steps
        below = weight @ stats.norm.cdf((at - mean[:, period, None]) / sd[:, period, None])
        found[:, period] = np.interp(shares, below, at)
    return found


def _swing_variances(sessions: Sessions, n_players: int, swings_known: float) -> Floats:
    """Variance of a swing within a session for each player, drawn toward the group's, ``(n_players,)``.

    Zero for all where no session has two swings: tau then holds all of it.
    """
    freedom = np.bincount(sessions.player, np.maximum(sessions.n - 1, 0), n_players)
    scatter = np.bincount(sessions.player, sessions.scatter, n_players)
    common = scatter.sum() / max(freedom.sum(), 1.0)
    return (swings_known * common + scatter) / (swings_known + freedom)


def _sums(values: Floats, period: Ints, n_periods: int) -> Floats:
    """Sum ``(n_tau, n_sessions)`` over periods: ``(n_tau, n_periods)``."""
    return np.stack([np.bincount(period, row, n_periods).astype(float) for row in values])


def _variance(weight: Floats) -> Floats:
    """Variance of a weighed mean; very large where nothing was measured."""
    return 1 / np.maximum(weight, 1e-12)
