"""The drawn swings of one player, stacked on one phase grid and sorted into straight and miss."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from faultml.channels import CHANNELS

GROUPS: Final = ("straight", "miss", "unknown")
"""What the ball did, as far as the recordings say."""

MIN_FOR_MEDIAN: Final = 3


@dataclass(frozen=True)
class Traces:
    """Swings drawn for one player.

    Attributes
    ----------
    phase
        ``(n_phases,)`` 0-1 backswing, 1-2 downswing, 2-3 after impact.
    curves_deg
        ``(n_swings, n_channels, n_phases)`` relative to address, NaN where not recorded.
    group
        ``(n_swings,)`` one of `GROUPS`.
    club
        ``(n_swings,)`` free text, "" where unknown.
    """

    phase: NDArray[np.float64]
    curves_deg: NDArray[np.float64]
    group: NDArray[np.object_]
    club: NDArray[np.object_]

    def __len__(self) -> int:
        return len(self.curves_deg)

    def of(self, mask: NDArray[np.bool_]) -> Traces:
        """The swings where `mask` holds."""
        return Traces(self.phase, self.curves_deg[mask], self.group[mask], self.club[mask])

    def groups(self) -> list[str]:
        """The groups that occur, in the order of `GROUPS`."""
        return [group for group in GROUPS if (self.group == group).any()]

    def median(self) -> NDArray[np.float64]:
        """Median curve, ``(n_channels, n_phases)``; NaN where fewer than three swings were recorded."""
        enough = np.isfinite(self.curves_deg).sum(axis=0) >= MIN_FOR_MEDIAN
        result = np.full(self.curves_deg.shape[1:], np.nan)
        result[enough] = np.nanmedian(self.curves_deg[:, enough], axis=0)
        return result

    def at(self, moment: float) -> NDArray[np.float64]:
        """Values at a moment, ``(n_swings, n_channels)``, between the two nearest grid points."""
        after = int(np.clip(np.searchsorted(self.phase, moment), 1, len(self.phase) - 1))
        share = (moment - self.phase[after - 1]) / (self.phase[after] - self.phase[after - 1])
        values = self.curves_deg[:, :, after - 1] * (1 - share) + self.curves_deg[:, :, after] * share
        return np.where(0 <= share <= 1, values, np.nan)


def shot_group(words: Iterable[str] | None, good: Collection[str]) -> str:
    """Straight, miss or unknown from the words about one ball; any word that is not `good` is a miss."""
    noted = set(words if words is not None else ())
    if not noted:
        return "unknown"
    return "straight" if noted <= set(good) else "miss"


def stack(rows: pd.DataFrame, good: Collection[str]) -> Traces:
    """Traces from rows of the curves table; rows on another phase grid are read at the longest one's.

    `good` are the words of a shot that are no miss.
    """
    phase = max((_array(own) for own in rows["phase"]), key=len)
    curves = np.full((len(rows), len(CHANNELS), len(phase)), np.nan)
    for channel, name in enumerate(CHANNELS):
        for row, (own_phase, values) in enumerate(zip(rows["phase"], rows[name], strict=True)):
            curves[row, channel] = _on_grid(phase, own_phase, values)
    group = np.array([shot_group(words, good) for words in rows["shot"]], dtype=object)
    club = rows["club"].fillna("").to_numpy(dtype=object)
    return Traces(phase, curves, group, club)


def _on_grid(
    grid: NDArray[np.float64], phase: Sequence[float], values: Sequence[float] | None
) -> NDArray[np.float64]:
    if values is None or np.size(values) < len(phase):
        return np.full(len(grid), np.nan)
    own, curve = _array(phase), _array(values)
    if len(own) == len(grid) and np.array_equal(own, grid):
        return curve
    return np.interp(grid, own, curve, left=np.nan, right=np.nan)


def _array(values: Sequence[float]) -> NDArray[np.float64]:
    return np.asarray(values, dtype=float)
