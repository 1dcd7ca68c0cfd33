"""Takeaway, top, impact and finish from the wrist's angles, each with an uncertainty.

A cascade: a network reads the whole window coarsely around its fastest moment and says when each landmark comes, later
networks look closer around that and correct it. A contact mark, where there is one, is taken for the impact.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Self

import numpy as np
from numpy.typing import NDArray
from sklearn.base import BaseEstimator
from sklearn.utils import check_array
from sklearn.utils.validation import check_is_fitted

from faultml.channels import LANDMARKS
from faultml.motion.arrival import quantiles, steps
from faultml.motion.window import Windows
from faultml.network import Network

Array = NDArray[np.float64]

IMPACT: Final = LANDMARKS.index("impact")
MARK_SD_S: Final = 0.002
"""Uncertainty of a contact mark: two milliseconds, common practice, no source."""

_WHOLE_LOOK_S: Final = np.arange(-2.8, 1.21, 0.04)
_NEAR_LOOKS_S: Final = (
    np.arange(-0.60, 0.61, 0.04),
    np.arange(-0.40, 0.41, 0.025),
    np.arange(-0.24, 0.181, 0.01),
    np.arange(-0.50, 0.51, 0.05),
)
"""Where the first network looks, and where each later one does, around each landmark's guess."""

_IMPACT_LOOK_S: Final = np.arange(-0.06, 0.0601, 0.005)
"""Where rates are looked at closely, around the guess of the impact."""

_TURNED_LOOKS_S: Final = (np.arange(-0.1, 0.101, 0.025), np.arange(-0.06, 0.0601, 0.01))
"""Where angles relative to address are read, around the guesses of top and impact."""


def _denser(reach_s: float, dense_s: float, count: int) -> Array:
    """Edges from -reach to +reach, spaced `dense_s` per unit of rank about 0 and wider outwards."""
    rank = np.linspace(-1, 1, count)
    return dense_s * rank + (reach_s - dense_s) * rank**3


_WHOLE_EDGES_S: Final = (
    np.linspace(-2.60, -0.30, 24),
    np.linspace(-0.90, 0.05, 30),
    np.linspace(-0.12, 0.16, 29),
    np.linspace(0.10, 1.60, 16),
)
_NEAR_EDGES_S: Final = (
    _denser(0.50, 0.10, 25),
    _denser(0.16, 0.05, 25),
    _denser(0.08, 0.02, 25),
    _denser(0.60, 0.25, 17),
)
"""Times for which a network says whether a landmark has come: about the anchor, and about the last guess."""

_HELD_OUT_COVERED: Final = 0.87
"""Golfers in training are more varied than everyday ones, of whom 90 % intervals then cover a little more."""
_LEAST_SD_S: Final = 0.001
_LEVELS: Final = (0.5, 0.05, 0.95)
_INTERVAL_SDS: Final = 2 * 1.645
_GUESS_SD_S: Final = (0.03, 0.02, 0.008, 0.04)
"""Jitter in training, so that a closer look also learns to come back from guesses worse than on its own golfers."""


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
        looked = _look_whole(windows)[learn]
        self.networks_ = [self._network().fit(looked, steps(offset_s[learn], _WHOLE_EDGES_S))]
        self.scale_ = np.ones(len(LANDMARKS))
        guess = self._first(windows)
        for _ in range(self.refinements):
            shaken = _settle(windows, guess + random.normal(0, _GUESS_SD_S, guess.shape))
            looked, wanted = _look_near(windows, shaken)[learn], (offset_s - shaken)[learn]
            self.networks_.append(self._network().fit(looked, steps(wanted, _NEAR_EDGES_S)))
            guess, sd_s = self._refine(windows, guess, self.networks_[-1])
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
        check_is_fitted(self)
        guess = self._first(windows)
        for network in self.networks_[1:]:
            guess, sd_s = self._refine(windows, guess, network)
        return Landmarks(guess, sd_s)

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
        come = quantiles(self.networks_[0].predict(_look_whole(windows)), _WHOLE_EDGES_S, _LEVELS[:1])
        return _settle(windows, come[:, :, 0])

    def _refine(self, windows: Windows, guess: Array, network: Network) -> tuple[Array, Array]:
        """A better guess and its standard deviations."""
        come = quantiles(network.predict(_look_near(windows, guess)), _NEAR_EDGES_S, _LEVELS)
        sd_s = np.maximum((come[:, :, 2] - come[:, :, 1]) / _INTERVAL_SDS, _LEAST_SD_S) * self.scale_
        sd_s[:, IMPACT] = np.where(windows.marked, MARK_SD_S, sd_s[:, IMPACT])
        return _settle(windows, guess + come[:, :, 0]), sd_s


_LEAST_S: Final = np.array([0.15, 0.08, 0.05])
"""Shortest backswing, downswing and follow-through."""


def _settle(windows: Windows, offset_s: Array) -> Array:
    """Landmarks in order and, but for the finish, within the recording; a contact mark is taken for the impact."""
    first, last = windows.start_s, windows.end_s
    takeaway, top, impact, finish = offset_s.T
    impact = np.where(windows.marked, windows.mark_s, np.minimum(impact, last))
    top = np.minimum(top, impact - _LEAST_S[1])
    takeaway = np.minimum(np.maximum(takeaway, first), top - _LEAST_S[0])
    finish = np.maximum(finish, impact + _LEAST_S[2])
    return np.column_stack([takeaway, top, impact, finish])


def _look_whole(windows: Windows) -> Array:
    edges = np.broadcast_to(_WHOLE_LOOK_S, (len(windows), len(_WHOLE_LOOK_S)))
    return np.column_stack([_turns(windows, edges), _setting(windows, windows.mark_s)])


def _look_near(windows: Windows, offset_s: Array) -> Array:
    looks = [_turns(windows, offset_s[:, [k]] + edges) for k, edges in enumerate(_NEAR_LOOKS_S)]
    between = np.diff(offset_s, axis=1)
    close = windows.rates_at(offset_s[:, [IMPACT]] + _IMPACT_LOOK_S)
    rates = np.arcsinh(close / 100.0).reshape(len(windows), -1)
    setting = _setting(windows, windows.mark_s - offset_s[:, IMPACT])
    return np.column_stack([*looks, between, setting, rates, _turned(windows, offset_s)])


def _turned(windows: Windows, offset_s: Array) -> Array:
    """Angles relative to address about the guesses of top and impact: how far the wrist is through its work."""
    address_deg = windows.address_at(offset_s[:, 0])[:, :, None]
    times = np.column_stack(
        [offset_s[:, [k]] + look for k, look in zip((1, 2), _TURNED_LOOKS_S, strict=True)]
    )
    return ((windows.angles_at(times) - address_deg) / 30.0).reshape(len(windows), -1)


def _turns(windows: Windows, edges_s: Array) -> Array:
    """How far each channel turns between consecutive times, compressed, ``(n_swings, 3 * (n_edges - 1))``."""
    # Each row's own spacing: that of the first row would let a result's last bit depend on its batch.
    width_s = np.diff(edges_s[:, :2])[:, :, None]
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
