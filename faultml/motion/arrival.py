"""When a landmark comes, as a chance for each of a row of times: learned as steps, read as quantiles.

A landmark at time x makes the step function "has come by t". A network that is fitted to such steps by least squares
minimises the continuous ranked probability score (Gneiting & Raftery 2007, J Am Stat Assoc 102:359-378), so what it
predicts is an honest distribution: its median is not carried away by a few hard swings, and its width is the doubt.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from faultml.kernels import kernel

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
    ends = np.cumsum([len(edges) for edges in edges_s])
    read = np.empty((len(chances), len(edges_s), len(levels)))
    _quantiles(np.ascontiguousarray(chances), ends, np.concatenate(edges_s), np.array(levels), read)
    return read


@kernel
def _quantiles(chances, ends, edges, levels, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    rising = np.empty(chances.shape[1])
    for row in range(len(chances)):
        first = 0
        for k in range(len(ends)):
            highest = 0.0
            for q in range(first, ends[k]):
                highest = max(highest, min(chances[row, q], 1.0))
                rising[q] = highest
            for at in range(len(levels)):
                level, above = levels[at], first + 1
                while above < ends[k] - 1 and rising[above] < level:
                    above += 1
                low, high = rising[above - 1], rising[above]
                share = min(max((level - low) / max(high - low, 1e-9), 0.0), 1.0)
                out[row, k, at] = edges[above - 1] + share * (edges[above] - edges[above - 1])
            first = ends[k]
