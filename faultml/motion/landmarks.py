"""Takeaway, top, impact and finish from the wrist's angles, each with an uncertainty.

A cascade: a network reads the whole window coarsely around its fastest moment and guesses all four landmarks, later
networks look closer around the guess and correct it. A contact mark, where there is one, is taken for the impact.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Self

import numpy as np
from numpy.typing import NDArray
from sklearn.base import BaseEstimator
from sklearn.utils.validation import check_is_fitted

from faultml.channels import LANDMARKS
from faultml.motion.window import Windows
from faultml.network import Network

Array = NDArray[np.float64]

IMPACT: Final = LANDMARKS.index("impact")
MARK_SD_S: Final = 0.002
"""Uncertainty of a contact mark: two milliseconds, common practice, no source."""

_WHOLE_EDGES_S: Final = np.arange(-2.8, 1.21, 0.04)
_NEAR_EDGES_S: Final = (
    np.arange(-0.60, 0.61, 0.04),
    np.arange(-0.40, 0.41, 0.025),
    np.arange(-0.24, 0.181, 0.01),
    np.arange(-0.50, 0.51, 0.05),
)
"""Where each later network looks, around each landmark's guess."""


@dataclass(frozen=True)
class Landmarks:
    """Landmark times relative to each window's anchor and their SDs, both ``(n_swings, 4)``, seconds."""

    offset_s: Array
    sd_s: Array


class LandmarkDetector(BaseEstimator):
    """Finds landmarks in windows.

    Parameters
    ----------
    refinements
        How many times the guess is corrected from a closer look.
    hidden, epochs, alpha, averaged, n_jobs
        Of every network; see `Network`.
    random_state
        Seed.
    """

    def __init__(
        self,
        refinements: int = 2,
        *,
        hidden: tuple[int, ...] = (224, 80),
        epochs: int = 14,
        alpha: float = 5e-2,
        averaged: int = 2,
        n_jobs: int | None = None,
        random_state: int = 0,
    ) -> None:
        self.refinements = refinements
        self.hidden = hidden
        self.epochs = epochs
        self.alpha = alpha
        self.averaged = averaged
        self.n_jobs = n_jobs
        self.random_state = random_state

    def fit(self, windows: Windows, offset_s: Array, groups: NDArray[np.object_]) -> Self:
        """Learn from true landmark times relative to the anchor, ``(n_swings, 4)``.

        `groups` tells golfers apart: the uncertainty is learned on golfers whom the landmarks were not learned on.
        """
        random = np.random.default_rng(self.random_state)
        names = np.unique(groups)
        held_out = np.isin(groups, random.permutation(names)[: max(1, len(names) // 4)])
        learn = ~held_out
        self.networks_ = [self._network().fit(_look_whole(windows)[learn], offset_s[learn])]
        guess = self._first(windows)
        for _ in range(self.refinements):
            # Jitter, so that the closer look also learns to come back from worse guesses than those on its own golfers.
            shaken = guess + random.normal(0, [0.03, 0.02, 0.008, 0.04], guess.shape)
            shaken = _settle(windows, shaken)
            network = self._network().fit(_look_near(windows, shaken)[learn], (offset_s - shaken)[learn])
            self.networks_.append(network)
            guess = self._refine(windows, guess, network)
        looked = _look_near(windows, guess)
        error = np.abs(offset_s - guess)
        self.spread_ = Network(
            (64, 32), epochs=max(10, self.epochs // 2), random_state=self.random_state, alpha=1e-2
        )
        self.spread_.fit(looked[held_out], np.log(error[held_out] + 1e-3))
        self.scale_ = np.ones(len(LANDMARKS))
        sd_s = self._sd(windows, guess)
        # So that 90 % of the errors lie within 1.645 standard deviations.
        free = held_out & ~windows.marked
        ratio = np.quantile(error[held_out] / sd_s[held_out], 0.90, axis=0)
        ratio[IMPACT] = np.quantile(error[free, IMPACT] / sd_s[free, IMPACT], 0.90) if free.any() else 1.645
        self.scale_ = ratio / 1.645
        return self

    def predict(self, windows: Windows) -> Landmarks:
        """Landmarks of every window, in order: takeaway before top before impact before finish."""
        check_is_fitted(self)
        guess = self._first(windows)
        for network in self.networks_[1:]:
            guess = self._refine(windows, guess, network)
        return Landmarks(guess, self._sd(windows, guess))

    def _network(self) -> Network:
        return Network(
            self.hidden,
            epochs=self.epochs,
            alpha=self.alpha,
            averaged=self.averaged,
            n_jobs=self.n_jobs,
            random_state=self.random_state,
        )

    def _first(self, windows: Windows) -> Array:
        return _settle(windows, self.networks_[0].predict(_look_whole(windows)))

    def _refine(self, windows: Windows, guess: Array, network: Network) -> Array:
        return _settle(windows, guess + network.predict(_look_near(windows, guess)))

    def _sd(self, windows: Windows, guess: Array) -> Array:
        # The mean of |error| of a normal error is 0.8 SD; the network learned its logarithm.
        sd_s = np.exp(np.clip(self.spread_.predict(_look_near(windows, guess)), -8, 0)) * self.scale_
        sd_s[:, IMPACT] = np.where(windows.marked, MARK_SD_S, sd_s[:, IMPACT])
        return sd_s


_LEAST_S: Final = np.array([0.15, 0.08, 0.05])
"""Shortest backswing, downswing and follow-through."""


def _settle(windows: Windows, offset_s: Array) -> Array:
    """Landmarks in order, with a contact mark, where there is one, for the impact."""
    settled = offset_s.copy()
    settled[:, 1] = np.maximum(settled[:, 1], settled[:, 0] + _LEAST_S[0])
    settled[:, IMPACT] = np.maximum(settled[:, IMPACT], settled[:, 1] + _LEAST_S[1])
    settled[:, IMPACT] = np.where(windows.marked, windows.mark_s, settled[:, IMPACT])
    settled[:, 1] = np.minimum(settled[:, 1], settled[:, IMPACT] - _LEAST_S[1])
    settled[:, 0] = np.minimum(settled[:, 0], settled[:, 1] - _LEAST_S[0])
    settled[:, 3] = np.maximum(settled[:, 3], settled[:, IMPACT] + _LEAST_S[2])
    return settled


def _look_whole(windows: Windows) -> Array:
    edges = np.broadcast_to(_WHOLE_EDGES_S, (len(windows), len(_WHOLE_EDGES_S)))
    return np.column_stack([_turns(windows, edges), _setting(windows, windows.mark_s)])


def _look_near(windows: Windows, offset_s: Array) -> Array:
    looks = [_turns(windows, offset_s[:, [k]] + edges) for k, edges in enumerate(_NEAR_EDGES_S)]
    between = np.diff(offset_s, axis=1)
    return np.column_stack([*looks, between, _setting(windows, windows.mark_s - offset_s[:, IMPACT])])


def _turns(windows: Windows, edges_s: Array) -> Array:
    """How far each channel turns between consecutive times, compressed, ``(n_swings, 3 * (n_edges - 1))``."""
    width_s = edges_s[0, 1] - edges_s[0, 0] if len(edges_s) else 1.0
    rate_dps = np.diff(windows.angles_at(edges_s), axis=2) / width_s
    return np.arcsinh(rate_dps / 60.0).reshape(len(edges_s), -1)


def _setting(windows: Windows, mark_s: Array) -> Array:
    """What else is known: a mark and where it lies, the missing forearm, the recording's ends, its rate and noise."""
    return np.column_stack(
        [
            np.nan_to_num(mark_s) * 10,
            windows.marked,
            windows.has_pronation,
            np.clip(windows.start_s, -3, 0),
            np.clip(windows.end_s, 0, 1.5),
            np.log(np.clip(windows.sample_rate_hz, 20, 1000)),
            np.log(windows.noise_deg + 0.05),
        ]
    )
