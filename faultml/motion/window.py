"""Every swing of a batch on one even clock around its fastest moment.

What comes later (landmarks, phase curves, features) reads these windows and never the ragged samples.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.channels import PRONATION
from faultml.motion.even import on_even_clock
from faultml.motion.resample import lookup
from faultml.recordings.schema import IMPACT_COLUMN, IMPACT_SD_COLUMN
from faultml.recordings.swings import SwingBatch

Array = NDArray[np.float64]
Single = NDArray[np.float32]

RATE_HZ: Final = 200.0
BEFORE_S: Final = 3.2
AFTER_S: Final = 1.6
OFFSETS_S: Final[Array] = np.arange(-BEFORE_S, AFTER_S, 1 / RATE_HZ)
"""Times of a window's samples relative to its anchor, ``(960,)``."""

MARK_SD_S: Final = 0.002
"""Uncertainty of a contact mark: two milliseconds, common practice, no source. No mark is taken for surer than that."""
MARK_REACH_S: Final = 0.4
"""A mark further than this from the fastest moment marks something else."""

_SMOOTH_S: Final = 0.005
_RATE_SMOOTH_S: Final = 0.010
_ADDRESS_S: Final = 0.30
_ADDRESS_READINGS: Final = 13


@dataclass(frozen=True)
class Windows:
    """Swings on an even clock.

    Attributes
    ----------
    anchor_s
        ``(n_swings,)`` the fastest moment, on the recording's clock; of no meaning where a swing has no samples.
    angles_deg
        ``(n_swings, 3, 960)`` float32: lightly smoothed angles; held constant beyond the recording's ends; a pronation
        that was not recorded is 0.
    rates_dps
        ``(n_swings, 3, 960)`` float32: their rates of change; 0 beyond the ends.
    start_s, end_s
        ``(n_swings,)`` first and last recorded moment relative to the anchor.
    has_pronation, marked
        ``(n_swings,)``.
    mark_s
        ``(n_swings,)`` contact mark relative to the anchor; NaN where not marked.
    mark_sd_s
        ``(n_swings,)`` how surely a mark is placed, SD, at least `MARK_SD_S`; that where nothing is stated.
    sample_rate_hz
        ``(n_swings,)`` median sampling rate.
    noise_deg
        ``(n_swings, 3)`` how rough each channel is, from its second differences.
    """

    anchor_s: Array
    angles_deg: Single
    rates_dps: Single
    start_s: Array
    end_s: Array
    has_pronation: NDArray[np.bool_]
    mark_s: Array
    mark_sd_s: Array
    sample_rate_hz: Array
    noise_deg: Array

    def __len__(self) -> int:
        return len(self.anchor_s)

    @property
    def marked(self) -> NDArray[np.bool_]:
        """Whether contact is marked."""
        return np.isfinite(self.mark_s)

    def angles_at(self, offset_s: Array) -> Array:
        """Angles at ``(n_swings, n_queries)`` times relative to the anchor, ``(n_swings, 3, n_queries)``."""
        return lookup(self.angles_deg, offset_s, OFFSETS_S[0], RATE_HZ)

    def rates_at(self, offset_s: Array) -> Array:
        """Rates at ``(n_swings, n_queries)`` times relative to the anchor, ``(n_swings, 3, n_queries)``."""
        return lookup(self.rates_dps, offset_s, OFFSETS_S[0], RATE_HZ)

    def address_at(self, takeaway_s: Array) -> Array:
        """Absolute angles at address, ``(n_swings, 3)``: the median over the last 0.3 s before the takeaway.

        `takeaway_s` is ``(n_swings,)`` relative to the anchor.
        """
        first = np.maximum(np.maximum(self.start_s, OFFSETS_S[0]), takeaway_s - _ADDRESS_S)
        first = np.minimum(first, takeaway_s)
        readings = first[:, None] + np.linspace(0, 1, _ADDRESS_READINGS) * (takeaway_s - first)[:, None]
        return np.median(self.angles_at(readings), axis=2)


def make_windows(batch: SwingBatch) -> Windows:
    """Put every swing of a batch on an even clock around its fastest moment."""
    n_samples = batch.n_samples
    first, last = _ends(batch.t_s, n_samples)
    has_pronation = np.isfinite(batch.angles_deg[:, PRONATION]).any(axis=1)
    even = on_even_clock(
        batch.t_s,
        batch.angles_deg,
        n_samples,
        OFFSETS_S,
        smooth_samples=_SMOOTH_S * RATE_HZ,
        rate_smooth_samples=_RATE_SMOOTH_S * RATE_HZ,
    )
    anchor_s = even.anchor_s
    mark = batch.table[IMPACT_COLUMN].to_numpy(float) - anchor_s
    return Windows(
        anchor_s=anchor_s,
        angles_deg=even.values,
        rates_dps=even.rates,
        start_s=first - anchor_s,
        end_s=last - anchor_s,
        has_pronation=np.asarray(has_pronation),
        mark_s=np.where(np.abs(mark) <= MARK_REACH_S, mark, np.nan),
        mark_sd_s=_mark_sd(batch),
        sample_rate_hz=_sample_rate(batch.t_s, n_samples),
        noise_deg=even.roughness,
    )


def _mark_sd(batch: SwingBatch) -> Array:
    if IMPACT_SD_COLUMN not in batch.table:
        return np.full(len(batch), MARK_SD_S)
    return np.fmax(batch.table[IMPACT_SD_COLUMN].to_numpy(float), MARK_SD_S)


def _ends(t_s: Array, n_samples: NDArray[np.int64]) -> tuple[Array, Array]:
    rows = np.arange(len(t_s))
    some = n_samples > 0
    if not some.any():
        return np.zeros(len(t_s)), np.zeros(len(t_s))
    last = np.where(some, t_s[rows, np.maximum(n_samples - 1, 0)], 0.0)
    return np.where(some, t_s[:, 0], 0.0), last


def _sample_rate(t_s: Array, n_samples: NDArray[np.int64]) -> Array:
    first, last = _ends(t_s, n_samples)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.nan_to_num((n_samples - 1) / (last - first))
