"""Single samples that jump away and back, as a flipped sign or a swapped marker leaves them: taken for lost."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from faultml.recordings.findings import Limits
from faultml.recordings.ledger import Ledger
from faultml.recordings.raw import Samples


def drop_spikes(samples: Samples, step_s: NDArray[np.float64], ledger: Ledger, limits: Limits) -> None:
    """Set samples to NaN that stand far off both neighbours, in place, with the finding ``spike``.

    Parameters
    ----------
    step_s
        ``(n_swings,)`` typical time step: how far a wrist can turn and turn back between samples grows with it.
    """
    starts, ends = samples.starts, samples.starts + samples.lengths - 1
    min_deg = limits.spike_deg + limits.spike_deg_s2 * step_s**2
    spiked = np.zeros(len(samples), dtype=bool)
    step = np.empty(samples.angles_deg.shape[1])
    for flat in samples.angles_deg:
        np.subtract(flat[1:], flat[:-1], out=step[:-1])
        step[ends] = 0
        with np.errstate(invalid="ignore"):
            up = np.fmax.reduceat(step, starts) > min_deg
            down = np.fmin.reduceat(step, starts) < -min_deg
        for at in np.flatnonzero(up & down):
            own = slice(starts[at], ends[at] + 1)
            off = _spikes(flat[own], min_deg[at], limits.spike_max_samples)
            flat[own][off] = np.nan
            spiked[at] |= bool(len(off))
    ledger.note(samples.rows[spiked], "spike")


def _spikes(flat: NDArray[np.float64], min_deg: float, most: int) -> NDArray[np.int64]:
    """Samples between a large step and the large step back to where the angle was before."""
    steps = np.nan_to_num(np.diff(flat))
    large = np.flatnonzero(np.abs(steps) > min_deg)
    found: list[int] = []
    for before, last in pairwise(large):
        back = steps[before] * steps[last] < 0 and last - before <= most
        if back and abs(flat[last + 1] - flat[before]) < min_deg / 2:
            found += range(before + 1, last + 1)
    return np.array(found, dtype=np.int64)
