"""Swings in pairs: the same golfer and the same chance, without a fault and with it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.faults.catalogue import Catalogue
from faultml.synthetic.golfers import draw_golfers
from faultml.synthetic.latent import draw_motion
from faultml.synthetic.motion import Motion, SwingPlan
from faultml.synthetic.patterns import load_patterns

Array = NDArray[np.float64]

_CANDIDATES: Final = 200
_TRIED: Final = 8
"""Golfers tried for each fault: in some, the joint's range stops the fault short of its typical size."""

_N_GOLFER_NUMBERS: Final = 64


@dataclass(frozen=True)
class Picture:
    """One swing: curves, ``(3, n_phases)`` relative to address on the phase grid, and what a fault measures in it."""

    curves_deg: Array
    measure: float


@dataclass(frozen=True)
class FaultPair:
    """One fault's pattern in its typical and largest size, beside the same swing without it."""

    fault: str
    clean: Picture
    typical: Picture
    largest: Picture


def draw_pairs(catalogue: Catalogue, seed: int) -> list[FaultPair]:
    """Every fault of the catalogue beside a clean swing of the same golfer, in catalogue order.

    Of the golfers who have a fault, one is shown whose swing without it is inside every corridor, and with it goes as
    far as it is meant to.
    """
    random = np.random.default_rng([seed, 3])
    golfers = draw_golfers(catalogue, _CANDIDATES, random, clean_share=0.0)
    own_way = random.normal(0, 1, (_CANDIDATES, _N_GOLFER_NUMBERS))

    def move(rows: NDArray[np.int64], size: Array) -> Motion:
        plan = SwingPlan(
            table=golfers.table.iloc[rows].reset_index(drop=True),
            style_deg=golfers.style_deg[rows],
            range_deg=golfers.range_deg[rows],
            size=size,
            golfer_random=own_way[rows],
        )
        return draw_motion(catalogue, plan, np.random.default_rng([seed, 4]))

    everybody = np.arange(_CANDIDATES)
    clean = _worst_past(catalogue, move(everybody, np.full(golfers.fault_size.shape, np.nan)))
    has_it = np.isfinite(golfers.fault_size)
    rows = np.where(has_it, clean[:, None], np.inf).argsort(axis=0, kind="stable")[:_TRIED].ravel()

    columns = np.tile(np.arange(len(catalogue.ids)), _TRIED)
    its_own = columns[:, None] == np.arange(len(catalogue.ids))
    sizes = [load_patterns()[fault].size for fault in catalogue.ids]
    typical_size = np.array([size.typical for size in sizes])
    motions = (
        move(rows, np.full(its_own.shape, np.nan)),
        move(rows, np.where(its_own, typical_size, np.nan)),
        move(rows, np.where(its_own, [size.high for size in sizes], np.nan)),
    )
    missed = abs(_past(catalogue, motions[1]) - typical_size / catalogue.softness_by_fault)[its_own]
    score = (np.maximum(_worst_past(catalogue, motions[0]), 0) + missed).reshape(_TRIED, -1)
    # Where too little is unhinged there is no moment of release to miss.
    shown = np.nan_to_num(score, nan=np.inf).argmin(axis=0) * len(sizes) + np.arange(len(sizes))
    return [
        FaultPair(
            fault,
            *(Picture(motion.phase_deg[k], float(motion.measures[k, columns[k]])) for motion in motions),
        )
        for fault, k in zip(catalogue.ids, shown, strict=True)
    ]


def _past(catalogue: Catalogue, motion: Motion) -> Array:
    """How far each measure is past its edge, in units of the edge's softness, ``(n_swings, n_faults)``."""
    edges = np.array([fault.edge for fault in catalogue.faults])
    return catalogue.signs * (motion.measures - edges) / catalogue.softness_by_fault


def _worst_past(catalogue: Catalogue, motion: Motion) -> Array:
    """The same of each swing's worst measure, ``(n_swings,)``; a measure that is not to be had counts as bad."""
    return np.nan_to_num(_past(catalogue, motion), nan=np.inf).max(axis=1)
