"""How `faultml.motion.landmark_model` is learned."""

from __future__ import annotations

from typing import Final, Self

import numpy as np
from numpy.typing import NDArray
from sklearn.base import BaseEstimator
from sklearn.utils import check_array
from sklearn.utils.validation import check_is_fitted

from faultml.channels import LANDMARKS
from faultml.motion.arrival import steps
from faultml.motion.landmark_model import (
    IMPACT,
    NEAR_EDGES_S,
    WHOLE_EDGES_S,
    LandmarkModel,
    Landmarks,
    first_guess,
    refined,
    settled,
)
from faultml.motion.looks import look_near, look_whole
from faultml.motion.window import Windows
from faultml.network import Network

Array = NDArray[np.float64]

_HELD_OUT_COVERED: Final = 0.87
"""Golfers in training are more varied than everyday ones, of whom 90 % intervals then cover a little more."""
_GUESS_SD_S: Final = (0.03, 0.02, 0.008, 0.04)
"""Jitter in training, so that a closer look also learns to come back from guesses worse than on its own golfers."""


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

    def fit(self, windows: Windows, offset_s: Array, groups: NDArray[np.object_] | None = None) -> Self:
        """Learn from true landmark times relative to the anchor, ``(n_swings, 4)``.

        `groups` tells golfers apart: how wide the uncertainty must be is learned on golfers who taught nothing else.
        Without, every swing is taken for another golfer's.

        Raises
        ------
        ValueError
            Where `offset_s` is not finite, or shapes do not fit the windows.
        """
        offset_s = check_array(offset_s, dtype=np.float64, input_name="offset_s")
        golfers = np.arange(len(windows)) if groups is None else groups
        if offset_s.shape != (len(windows), len(LANDMARKS)) or len(golfers) != len(windows):
            raise ValueError(
                f"expected offset_s of shape ({len(windows)}, {len(LANDMARKS)}) and as many groups as windows; "
                f"found {offset_s.shape} and {len(golfers)} groups"
            )
        random = np.random.default_rng(self.random_state)
        names = np.unique(golfers)
        held_out = np.isin(golfers, random.permutation(names)[: max(1, len(names) // 12)])
        learn = ~held_out
        looked = look_whole(windows)[learn]
        self.networks_ = [self._network().fit(looked, steps(offset_s[learn], WHOLE_EDGES_S))]
        self.scale_ = np.ones(len(LANDMARKS))
        guess = first_guess(windows, self.networks_[0].runtime())
        for _ in range(self.refinements):
            shaken = settled(windows, guess + random.normal(0, _GUESS_SD_S, guess.shape))
            looked, wanted = look_near(windows, shaken)[learn], (offset_s - shaken)[learn]
            self.networks_.append(self._network().fit(looked, steps(wanted, NEAR_EDGES_S)))
            guess, sd_s = refined(windows, guess, self.networks_[-1].runtime(), self.scale_)
        # So that so many of the errors lie within 1.645 standard deviations.
        ratio = np.abs(offset_s - guess) / sd_s
        free = held_out & ~windows.marked
        self.scale_ = np.quantile(ratio[held_out], _HELD_OUT_COVERED, axis=0) / 1.645
        self.scale_[IMPACT] = (
            np.quantile(ratio[free, IMPACT], _HELD_OUT_COVERED) / 1.645 if free.any() else 1.0
        )
        return self

    def predict(self, windows: Windows) -> Landmarks:
        """Landmarks of every window, in order: takeaway before top before impact before finish."""
        return self.runtime().predict(windows)

    def runtime(self) -> LandmarkModel:
        """The arrays that answer."""
        check_is_fitted(self)
        return LandmarkModel(tuple(network.runtime() for network in self.networks_), self.scale_.copy())

    def _network(self) -> Network:
        return Network(
            self.hidden,
            epochs=self.epochs,
            alpha=self.alpha,
            averaged=self.averaged,
            n_jobs=self.n_jobs,
            random_state=self.random_state,
        )
