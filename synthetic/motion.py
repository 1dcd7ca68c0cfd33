"""What a batch of swings shall be, and the true motion it became."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Motion:
    """True motion of a batch of full swings.

    Attributes
    ----------
    d_deg
        ``(n_swings, 3, n_samples)`` degrees relative to address on `CLOCK_S`.
    address_deg
        ``(n_swings, 3)`` absolute angles at address.
    landmarks_s
        ``(n_swings, 4)`` takeaway, top, impact, finish on `CLOCK_S`.
    phase_deg
        ``(n_swings, 3, n_phases)`` the same curves on the phase grid.
    measures, guards
        ``(n_swings, n_faults)`` and ``(n_swings, n_guards)`` by the catalogue's definitions.
    saved_late
        ``(n_swings,)`` whether a strong bow was given back before impact.
    """

    d_deg: Array
    address_deg: Array
    landmarks_s: Array
    phase_deg: Array
    measures: Array
    guards: Array
    saved_late: NDArray[np.bool_]

    @property
    def angles_deg(self) -> Array:
        """Absolute angles, ``(n_swings, 3, n_samples)``."""
        return self.d_deg + self.address_deg[:, :, None]


@dataclass(frozen=True)
class SwingPlan:
    """What a batch of swings shall be, one row a swing.

    Attributes
    ----------
    table
        ``tempo, downswing_s, repeatability, skill, address_*_deg`` of the golfer behind each swing.
    style_deg, range_deg
        ``(n_swings, 3, 3)`` and ``(n_swings, 3, 2)`` as in `Golfers`.
    size
        ``(n_swings, n_faults)`` how far past the edge each fault is meant to go; NaN where not meant.
    golfer_random
        ``(n_swings, 64)`` standard normal numbers shared by a golfer's swings: the golfer's own way to move.
    """

    table: pd.DataFrame
    style_deg: Array
    range_deg: Array
    size: Array
    golfer_random: Array
