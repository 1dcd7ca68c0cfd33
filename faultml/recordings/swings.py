"""A batch of swings as padded arrays: what every later step works on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray


@dataclass(frozen=True)
class SwingBatch:
    """Swings of one batch, in the order they were read.

    Attributes
    ----------
    table
        One row a swing, index 0..n-1: ``player, session, swing`` (text), ``hand, club, context`` (text, ""
        where not given; context defaults to "play"), ``shot`` (tuple of words, empty where not given),
        ``impact_s`` (float, NaN where not marked), optionally ``impact_sd_s`` (float, NaN where not stated) and
        ``impact_from`` (what placed the mark: recorder, shock or coach), optionally ``mounting_sd_deg`` (float, how
        surely the sensor's turn about the forearm is known; NaN where not stated), ``reason`` ("" where the swing may
        be assessed, else the code of what refused it) and ``findings`` (tuple of codes).
    t_s
        ``(n_swings, n_samples)`` float64, strictly increasing within a swing, NaN after its end.
    angles_deg
        ``(n_swings, n_channels, n_samples)`` float64 in the order of `faultml.channels.CHANNELS`, NaN after a
        swing's end; the pronation channel is NaN throughout where it was not recorded.
    n_samples
        ``(n_swings,)`` samples of each swing; 0 for a refused one.
    """

    table: pd.DataFrame
    t_s: NDArray[np.float64]
    angles_deg: NDArray[np.float64]
    n_samples: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.table)
