"""Bend the curves of a swing until each fault it is meant to show measures what it is meant to."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from faultml.faults.catalogue import Catalogue
from faultml.faults.measure import coordinate, evaluate_all, phase_times
from faultml.synthetic.clock import CLOCK_S, sample_phases
from faultml.synthetic.motion import SwingPlan
from faultml.synthetic.patterns import Pattern, load_patterns
from faultml.synthetic.shapes import bump

Array = NDArray[np.float64]


def add_faults(
    catalogue: Catalogue, plan: SwingPlan, d_deg: Array, landmarks_s: Array, random: np.random.Generator
) -> Array:
    """Bend the curves until every meant fault measures what it is meant to."""
    patterns = load_patterns()
    for _ in range(2):
        for column, fault in enumerate(catalogue.faults):
            rows = np.flatnonzero(np.isfinite(plan.size[:, column]))
            pattern = patterns[fault.id]
            if pattern.kind == "release" or not len(rows):
                continue
            shape = _pattern_shape(pattern, landmarks_s[rows], random)
            measured = evaluate_all(catalogue, sample_phases(d_deg[rows], landmarks_s[rows]))[:, column]
            height = fault.edge + fault.sign * plan.size[rows, column] - measured
            # Each reading's own sign: a drop and a late reading grow against the channel.
            height *= _channel_sign(catalogue, column)
            channel = fault.measure.channel_index
            d_deg[rows, channel] += np.nan_to_num(height)[:, None] * shape
    return d_deg


def _channel_sign(catalogue: Catalogue, column: int) -> int:
    measure = catalogue.faults[column].measure
    if measure.stat == "drop":
        return -1
    if measure.stat != "change":
        return 1
    first, last = measure.span
    return 1 if coordinate(first) < coordinate(last) else -1


def _pattern_shape(pattern: Pattern, landmarks_s: Array, random: np.random.Generator) -> Array:
    corners = np.array(pattern.corners) + random.normal(0, 0.03, (len(landmarks_s), 4))
    corners[:, 0] = np.maximum(corners[:, 0], 0.0)
    corners = np.maximum.accumulate(corners + np.array([0, 1e-3, 2e-3, 3e-3]), axis=1)
    times = phase_times(landmarks_s, corners)
    return bump(CLOCK_S[None], times[:, 0], times[:, 1], times[:, 2], times[:, 3])
