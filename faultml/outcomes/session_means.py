"""Means over the periods of a player's season, where sessions that follow each other may be alike.

    session mean = mean of the period + session (SD tau, AR(1) with correlation rho) + swings (SD s / sqrt(n))

With the covariance C of a player's sessions and their periods as columns of X, the means are those of generalised
least squares, ``(X' C^-1 X)^-1 X' C^-1 y``. The session part runs on from one period into the next, so that the
means before and after a drill are correlated too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_UNSEEN: Final = 1e-12
"""Precision of a mean over no session."""


@dataclass(frozen=True)
class Sessions:
    """Session means of one fault, degrees past the edge (+ worse), ``(n_sessions,)`` each.

    Attributes
    ----------
    player
        Number of the player.
    place
        Place in the order of the player's sessions; sessions that are left out leave a gap.
    n, mean, scatter
        Swings, their mean, and their sum of squares about it.
    """

    player: Ints
    place: Floats
    n: Floats
    mean: Floats
    scatter: Floats

    def __len__(self) -> int:
        return len(self.n)

    def take(self, rows: Bools) -> Sessions:
        """Some of the sessions."""
        return Sessions(
            self.player[rows], self.place[rows], self.n[rows], self.mean[rows], self.scatter[rows]
        )


@dataclass(frozen=True)
class SessionGrid:
    """Points of the grid over how sessions scatter, ``(n_points,)`` each: SD tau in degrees, correlation rho."""

    tau: Floats
    rho: Floats


@dataclass(frozen=True)
class PairOfMeans:
    """Means before and after, with their error covariance, ``(n_points, n_pairs)`` each.

    A side without sessions has a very large variance and an arbitrary mean.
    """

    before: Floats
    after: Floats
    var_before: Floats
    var_after: Floats
    covariance: Floats


@dataclass(frozen=True)
class Means:
    """Means over every player's periods.

    Attributes
    ----------
    mean
        ``(n_points, n_players, n_windows)``.
    covariance
        Of their errors, ``(n_points, n_players, n_windows, n_windows)``.
    seen
        Whether there is a session, ``(n_players, n_windows)``.
    log_fit
        Log likelihood of the sessions' scatter about these means, ``(n_points,)``, up to a constant.
    """

    mean: Floats
    covariance: Floats
    seen: Bools
    log_fit: Floats

    def pair(self, players: Ints, before: Ints, after: Ints) -> PairOfMeans:
        """Two windows of each of some players, ``(n_pairs,)`` each."""
        return PairOfMeans(
            before=self.mean[:, players, before],
            after=self.mean[:, players, after],
            var_before=self.covariance[:, players, before, before],
            var_after=self.covariance[:, players, after, after],
            covariance=self.covariance[:, players, before, after],
        )


def period_means(
    sessions: Sessions, window: Ints, n_windows: int, swing_variance: Floats, grid: SessionGrid
) -> Means:
    """Means over the periods of every player, at each point of the grid.

    Parameters
    ----------
    window
        The period of the player's season that each session belongs to, ``(n_sessions,)``.
    swing_variance
        Variance of a swing within a session for each player, ``(n_players,)``.
    """
    n_points, n_players = len(grid.tau), len(swing_variance)
    mean = np.zeros((n_points, n_players, n_windows))
    covariance = np.zeros((n_points, n_players, n_windows, n_windows)) + np.eye(n_windows) / _UNSEEN
    seen = np.zeros((n_players, n_windows), dtype=bool)
    log_fit = np.zeros(n_points)
    for player in np.unique(sessions.player):
        own = sessions.take(sessions.player == player)
        in_window = window[sessions.player == player][:, None] == np.arange(n_windows)
        seen[player] = in_window.any(axis=0)
        error = _covariance(own, swing_variance[player], grid)
        # One factorisation for the columns of X and y together.
        columns = np.column_stack([in_window.astype(float), own.mean])
        half = np.linalg.solve(
            np.linalg.cholesky(error), np.broadcast_to(columns, (n_points, *columns.shape))
        )
        design, y = half[:, :, :-1], half[:, :, -1:]
        precision = design.transpose(0, 2, 1) @ design + _UNSEEN * np.eye(n_windows)
        covariance[:, player] = np.linalg.inv(precision)
        best = covariance[:, player] @ (design.transpose(0, 2, 1) @ y)
        mean[:, player] = best[:, :, 0]
        off = ((y - design @ best) ** 2).sum(axis=(1, 2))
        log_fit -= 0.5 * (np.linalg.slogdet(error)[1] + np.linalg.slogdet(precision)[1] + off)
    return Means(mean, covariance, seen, log_fit)


def _covariance(own: Sessions, swing_variance: float, grid: SessionGrid) -> Floats:
    """Covariance of one player's session means, ``(n_points, n_sessions, n_sessions)``."""
    lag = np.abs(own.place[:, None] - own.place)
    session = grid.tau[:, None, None] ** 2 * grid.rho[:, None, None] ** lag
    return session + np.diag(swing_variance / own.n)
