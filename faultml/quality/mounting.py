"""How the sensor seems to be turned about the forearm, from a swing alone: a weak estimate, reported with its error.

A turn mixes flexion and ulnar deviation all through the swing, and golfers move alike enough for half of it to be seen.
The figures in ``mounting.toml`` are a linear regression on generated golfers (`faultml.pipelines.training.mounting`).
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from faultml.channels import FLEXION, ULNAR
from faultml.faults.measure import PHASE_GRID
from faultml.motion.curves import Curves
from faultml.rules_file import Record, load_data

Array = NDArray[np.float64]

PHASES: Final = (0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 1.75, 2.0)
_AT: Final = np.searchsorted(PHASE_GRID + 1e-9, PHASES)


class TurnModel(Record, frozen=True):
    """A linear estimate of the turn, degrees.

    Attributes
    ----------
    coefficients, intercept_deg
        Of `turn_readings`.
    sd_deg
        What is left of the turn's uncertainty, SD on golfers not learned from.
    suspected_deg
        An estimate beyond this is reported.
    """

    schema: Literal[1]
    intercept_deg: float
    coefficients: tuple[float, ...]
    sd_deg: float
    suspected_deg: float


@lru_cache(maxsize=1)
def turn_model() -> TurnModel:
    """The model that comes with the package."""
    return load_data(__package__, "mounting.toml", TurnModel)


def turn_readings(d_deg: Array, address_deg: Array) -> Array:
    """``(n_swings, 18)``: flexion and ulnar deviation at `PHASES` relative to address, and at address.

    `d_deg` is ``(n_swings, 3, n_phases)`` on the grid of phases, `address_deg` ``(n_swings, 3)``.
    """
    both = d_deg[:, [FLEXION, ULNAR]][:, :, _AT]
    return np.column_stack([both.reshape(len(d_deg), -1), address_deg[:, [FLEXION, ULNAR]]])


def estimated_turn_deg(curves: Curves) -> Array:
    """Estimated turn of each swing's sensor about the forearm, ``(n_swings,)``; its SD is `turn_model().sd_deg`."""
    model = turn_model()
    readings = turn_readings(curves.d_deg, curves.address_deg)
    # Summed row by row: a matrix product may add up in another order for another number of swings.
    return (np.nan_to_num(readings) * np.array(model.coefficients)).sum(axis=1) + model.intercept_deg


def suspect_mounting(curves: Curves, full: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Full swings whose sensor seems to be turned by far more than is usual."""
    return full & (np.abs(estimated_turn_deg(curves)) > turn_model().suspected_deg)
