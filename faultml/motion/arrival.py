"""When a landmark comes, as a chance for each of a row of times: learned as steps, read as quantiles.

A landmark at time x makes the step function "has come by t". A network that is fitted to such steps by least squares
minimises the continuous ranked probability score (Gneiting & Raftery 2007, J Am Stat Assoc 102:359-378), so what it
predicts is an honest distribution: its median is not carried away by a few hard swings, and its width is the doubt.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def steps(times_s: Array, edges_s: Sequence[Array]) -> Array:
    """Whether each landmark has come by each of its edges.

    Parameters
    ----------
    times_s
        ``(n_swings, n_landmarks)``.
    edges_s
        Increasing times for each landmark.

    Returns
    -------
    array
        ``(n_swings, total number of edges)``, 0 or 1, landmark by landmark.
    """
    columns = [times_s[:, [k]] <= edges[None] for k, edges in enumerate(edges_s)]
    return np.concatenate(columns, axis=1).astype(np.float64)


def quantiles(chances: Array, edges_s: Sequence[Array], levels: Sequence[float]) -> Array:
    """Times by which each landmark has come with the chances of `levels`, ``(n_swings, n_landmarks, n_levels)``.

    `chances` are as `steps` made them, but need not rise nor stay within 0 and 1. Between edges they are read linearly;
    a quantile beyond the edges is held at the last one.
    """
    ends = np.cumsum([len(edges) for edges in edges_s])[:-1]
    read = np.empty((len(chances), len(edges_s), len(levels)))
    rows = np.arange(len(chances))
    for k, (part, edges) in enumerate(zip(np.split(chances, ends, axis=1), edges_s, strict=True)):
        rising = np.maximum.accumulate(np.clip(part, 0.0, 1.0), axis=1)
        for at, level in enumerate(levels):
            above = np.clip((rising < level).sum(axis=1), 1, len(edges) - 1)
            low, high = rising[rows, above - 1], rising[rows, above]
            share = np.clip((level - low) / np.maximum(high - low, 1e-9), 0.0, 1.0)
            read[:, k, at] = edges[above - 1] + share * (edges[above] - edges[above - 1])
    return read
