"""Takeaway, top, impact and finish from the wrist's angles, each with an uncertainty: what answers.

A cascade: a network reads the whole window coarsely around its fastest moment and says when each landmark comes, later
networks look closer around that and correct it. A contact mark, where there is one, is taken for the impact. How the
networks are learned is in `faultml.motion.landmarks`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Final

import numpy as np
from numpy.typing import NDArray

from faultml.channels import LANDMARKS
from faultml.motion.arrival import quantiles
from faultml.motion.looks import NEAR_LOOK_SIZE, WHOLE_LOOK_SIZE, look_near, look_whole
from faultml.motion.window import Windows
from faultml.runtime.dense import DenseNetwork

Array = NDArray[np.float64]

IMPACT: Final = LANDMARKS.index("impact")


def _denser(reach_s: float, dense_s: float, count: int) -> Array:
    """Edges from -reach to +reach, spaced `dense_s` per unit of rank about 0 and wider outwards."""
    rank = np.linspace(-1, 1, count)
    return dense_s * rank + (reach_s - dense_s) * rank**3


WHOLE_EDGES_S: Final = (
    np.linspace(-2.60, -0.30, 24),
    np.linspace(-0.90, 0.05, 30),
    np.linspace(-0.12, 0.16, 29),
    np.linspace(0.10, 1.60, 16),
)
NEAR_EDGES_S: Final = (
    _denser(0.50, 0.10, 25),
    _denser(0.16, 0.05, 25),
    _denser(0.08, 0.02, 25),
    _denser(0.60, 0.25, 17),
)
"""Times for which a network says whether a landmark has come: about the anchor, and about the last guess."""

_MIN_SD_S: Final = 0.001
_LEVELS: Final = (0.5, 0.05, 0.95)
_INTERVAL_SDS: Final = 2 * 1.645
MIN_S: Final = (0.15, 0.08, 0.05)
"""Shortest backswing, downswing and follow-through, s."""


@dataclass(frozen=True)
class Landmarks:
    """Landmark times relative to each window's anchor and their SDs, both ``(n_swings, 4)``, seconds."""

    offset_s: Array
    sd_s: Array


@dataclass(frozen=True)
class LandmarkModel:
    """Finds landmarks in windows.

    Attributes
    ----------
    networks
        The first reads the whole window, the others correct the guess before them.
    scale
        ``(4,)`` by what the spread of each landmark's distribution is multiplied.
    """

    networks: tuple[DenseNetwork, ...]
    scale: Array

    N_WHOLE: ClassVar = (WHOLE_LOOK_SIZE, sum(map(len, WHOLE_EDGES_S)))
    N_NEAR: ClassVar = (NEAR_LOOK_SIZE, sum(map(len, NEAR_EDGES_S)))
    """Inputs and outputs of the first network, and of each later one."""

    def predict(self, windows: Windows) -> Landmarks:
        """Landmarks of every window, in order: takeaway before top before impact before finish."""
        guess = first_guess(windows, self.networks[0])
        for network in self.networks[1:]:
            guess, sd_s = refined(windows, guess, network, self.scale)
        return Landmarks(guess, sd_s)


def first_guess(windows: Windows, network: DenseNetwork) -> Array:
    """Landmarks ``(n_swings, 4)`` by the network that reads the whole window."""
    arrived = network.predict(look_whole(windows))
    return settled(windows, quantiles(arrived, WHOLE_EDGES_S, _LEVELS[:1])[:, :, 0])


def refined(windows: Windows, guess: Array, network: DenseNetwork, scale: Array) -> tuple[Array, Array]:
    """A better guess and its standard deviations, ``(n_swings, 4)`` each."""
    arrival = quantiles(network.predict(look_near(windows, guess)), NEAR_EDGES_S, _LEVELS)
    sd_s = np.maximum((arrival[:, :, 2] - arrival[:, :, 1]) / _INTERVAL_SDS, _MIN_SD_S) * scale
    sd_s[:, IMPACT] = np.where(windows.marked, windows.mark_sd_s, sd_s[:, IMPACT])
    return settled(windows, guess + arrival[:, :, 0]), sd_s


def settled(windows: Windows, offset_s: Array) -> Array:
    """Landmarks in order and, but for the finish, within the recording; a contact mark is taken for the impact."""
    first, last = windows.start_s, windows.end_s
    takeaway, top, impact, finish = offset_s.T
    impact = np.where(windows.marked, windows.mark_s, np.minimum(impact, last))
    top = np.minimum(top, impact - MIN_S[1])
    takeaway = np.minimum(np.maximum(takeaway, first), top - MIN_S[0])
    finish = np.maximum(finish, impact + MIN_S[2])
    return np.column_stack([takeaway, top, impact, finish])
