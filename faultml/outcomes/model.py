"""A group's session means as a model: swings scatter in a session, sessions about a player, players about the group.

    session mean = player's true mean + session (SD tau, AR(1) with correlation rho) + swings (SD s / sqrt(n))
    player's true mean = group's mean mu + player (SD omega)

Players are worked with when they look bad. Seen from the group and from the player's own longer record, part of
that was chance, and the posterior of the true mean says how much: choosing by it, or by anything that is in the
data, does not bend it (regression to the mean). tau, rho and omega are summed over a grid, mu is integrated exactly.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from faultml.outcomes.rules import GroupRules
from faultml.outcomes.session_means import (
    Floats,
    Ints,
    Means,
    PairOfMeans,
    SessionGrid,
    Sessions,
    period_means,
)

_REACH: Final = 2.5
"""The grid reaches so many SD of the prior of each logarithm."""

_NEGLIGIBLE: Final = 1e-5
"""Points of the grid that hold less than this together are left out of quantiles."""

N_TAU: Final = 11
N_OMEGA: Final = 9


@dataclass(frozen=True)
class Guess:
    """Something unknown at every point of the grid, ``(n_points, n_omega, n_pairs)`` each, degrees.

    ``shared_variance`` is the part of the variance that is common to all players.
    """

    mean: Floats
    variance: Floats
    shared_variance: Floats


def log_grid(centre: float, factor: float, size: int) -> tuple[Floats, Floats]:
    """Nodes and log weights of a lognormal prior, ``(size,)`` each."""
    steps = np.linspace(-_REACH, _REACH, size)
    return centre * factor**steps, -(steps**2) / 2


class GroupModel:
    """The posterior of a group's spread on the grid, and what it says of any two periods.

    Points of the grid are pairs of tau and rho; omega has an axis of its own.

    Parameters
    ----------
    sessions
        All sessions without feedback.
    n_players
        Players there are, with sessions or without.
    window
        The period of the player's season each belongs to, ``(n_sessions,)``: one true mean a period. In window 0,
        before any drill, players are the group as it is; of the others only the scatter of their sessions is used.
    n_windows
        Windows of the player with the most.
    typical_deg
        Prior of the group's mean.
    """

    def __init__(
        self,
        sessions: Sessions,
        n_players: int,
        window: Ints,
        n_windows: int,
        typical_deg: float,
        rules: GroupRules,
    ) -> None:
        tau, tau_prior = log_grid(rules.session_deg, rules.factor, N_TAU)
        self._omega, omega_prior = log_grid(rules.between_deg, rules.factor, N_OMEGA)
        rho = np.array([each.value for each in rules.correlation])
        rho_prior = np.log([each.weight for each in rules.correlation])
        self._grid = SessionGrid(np.tile(tau, len(rho)), np.repeat(rho, len(tau)))
        self._swing_variance = _swing_variances(sessions, n_players, rules.swings_known)
        self.free = self.means(sessions, window, n_windows)
        """Means of the sessions the model was made from."""
        between, self._mu, self._mu_variance = self._between(typical_deg, rules.typical_sd_deg)
        prior = np.add.outer(rho_prior, tau_prior).ravel()
        log_weight = (prior + self.free.log_fit)[:, None] + omega_prior + between
        weight = np.exp(log_weight - log_weight.max())
        self.weight = weight / weight.sum()
        """Posterior weight of each point of the grid, ``(n_points, n_omega)``."""

    @property
    def session_sd_deg(self) -> float:
        """Posterior mean of tau: how much a player's sessions differ."""
        return float(self.weight.sum(axis=1) @ self._grid.tau)

    def swing_sd_deg(self, players: Ints) -> Floats:
        """How much a player's swings differ within a session, drawn toward what is common in the group."""
        return np.sqrt(self._swing_variance[players])

    def means(self, sessions: Sessions, window: Ints, n_windows: int) -> Means:
        """Means over the windows of every player."""
        return period_means(sessions, window, n_windows, self._swing_variance, self._grid)

    def true_means(self, pair: PairOfMeans) -> Guess:
        """The true means before, of players of the group as it is."""
        own = 1 / (1 + pair.var_before[:, None, :] / self._omega[:, None] ** 2)
        rest = 1 - own
        shared = rest**2 * self._mu_variance[:, :, None]
        mean = own * pair.before[:, None, :] + rest * self._mu[:, :, None]
        return Guess(mean, self._omega[:, None] ** 2 * rest + shared, shared)

    def changes(self, pair: PairOfMeans) -> Guess:
        """Change of the true mean, nothing assumed of its size; + is worse.

        Where the means before and after err together (`along`), part of what is known of the error before is known
        of that after.
        """
        base = self.true_means(pair)
        along = (pair.covariance / pair.var_before)[:, None, :]
        error = pair.var_after[:, None, :] - along * pair.covariance[:, None, :]
        mean = (pair.after - pair.before)[:, None, :] + (1 - along) * (pair.before[:, None, :] - base.mean)
        variance = error + (1 - along) ** 2 * base.variance
        return Guess(mean, variance, (1 - along) ** 2 * base.shared_variance)

    def average(self, values: Floats) -> Floats:
        """Posterior mean over the grid, ``(n_pairs,)``, of ``(n_points, n_omega or 1, n_pairs)``."""
        weight = self.weight if values.shape[1] > 1 else self.weight.sum(axis=1, keepdims=True)
        return np.einsum("to,tog->g", weight, values)

    def _between(self, typical_deg: float, typical_sd_deg: float) -> tuple[Floats, Floats, Floats]:
        """Log likelihood of the players' means, and the group's mean and its variance; ``(n_points, n_omega)`` each."""
        use = self.free.seen[:, 0]
        mean = self.free.mean[:, None, use, 0]
        variance = self._omega[:, None] ** 2 + self.free.covariance[:, None, use, 0, 0]
        prior = 1 / typical_sd_deg**2
        precision = prior + (1 / variance).sum(axis=2)
        pull = prior * typical_deg + (mean / variance).sum(axis=2)
        squares = prior * typical_deg**2 + (mean**2 / variance).sum(axis=2)
        log = -0.5 * (np.log(variance).sum(axis=2) + np.log(precision) + squares - pull**2 / precision)
        return log, pull / precision, 1 / precision


def mixture_quantiles(weight: Floats, mean: Floats, sd: Floats, shares: tuple[float, ...]) -> Floats:
    """Quantiles of mixtures of normals, ``(n_shares, n_mixtures)``, read off 201 points of each.

    `weight` is ``(n_points,)``, `mean` and `sd` are ``(n_points, n_mixtures)``.
    """
    used = weight > _NEGLIGIBLE / len(weight)
    weight, mean, sd = weight[used] / weight[used].sum(), mean[used], sd[used]
    middle = weight @ mean
    spread = np.sqrt(weight @ (sd**2 + (mean - middle) ** 2))
    steps = np.linspace(-5, 5, 201)
    found = np.empty((len(shares), mean.shape[1]))
    for each in range(mean.shape[1]):
        at = middle[each] + spread[each] * steps
        below = weight @ special.ndtr((at - mean[:, each, None]) / sd[:, each, None])
        found[:, each] = np.interp(shares, below, at)
    return found


def _swing_variances(sessions: Sessions, n_players: int, swings_known: float) -> Floats:
    """Variance of a swing within a session for each player, drawn toward the group's, ``(n_players,)``.

    Zero for all where no session has two swings: tau then holds all of it.
    """
    freedom = np.bincount(sessions.player, np.maximum(sessions.n - 1, 0), n_players)
    scatter = np.bincount(sessions.player, sessions.scatter, n_players)
    common = scatter.sum() / max(freedom.sum(), 1.0)
    return (swings_known * common + scatter) / (swings_known + freedom)
