"""Ragged recordings side by side: padded with NaN to the longest."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from faultml.recordings.swings import SwingBatch

Array = NDArray[np.float64]


def stack(parts: list[Array]) -> Array:
    """Concatenate along the first axis, padding the last with NaN."""
    longest = max(part.shape[-1] for part in parts)
    padded = [
        np.pad(part, [(0, 0)] * (part.ndim - 1) + [(0, longest - part.shape[-1])], constant_values=np.nan)
        for part in parts
    ]
    return np.concatenate(padded)


def concatenate(batches: list[SwingBatch]) -> SwingBatch:
    """Several batches as one, padded to the longest swing."""
    return SwingBatch(
        table=pd.concat([batch.table for batch in batches], ignore_index=True),
        t_s=stack([batch.t_s for batch in batches]),
        angles_deg=stack([batch.angles_deg for batch in batches]),
        n_samples=np.concatenate([batch.n_samples for batch in batches]),
    )
