"""The reference of a model: what its training golfers look like, feature by feature and kind of recorder."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.classifier.bundle import read_manifest
from faultml.features.table import Features
from faultml.quality.reference import (
    BINS,
    KINDS,
    LEVELS,
    SCHEMA,
    Kind,
    Reading,
    Reference,
    bins_of,
    kind_of,
    save_reference,
)

Array = NDArray[np.float64]

WATCHED: Final = ("measure:", "timing:", "setting:")
"""Groups of features that are watched: what the others say follows from the same curves."""
MIN_SWINGS: Final = 200
"""A kind of recorder with fewer training swings has no reference: its quantiles would be chance."""


def write_reference(folder: Path, features: Features, golfers: NDArray, full: NDArray) -> Reference:
    """Write the reference of the bundle in `folder` from its training swings.

    Parameters
    ----------
    features
        Of ``n`` recordings.
    golfers, full
        ``(n,)`` each recording's golfer, and which recordings are full swings: only these are looked at.
    """
    reference = reference_of(
        read_manifest(folder).sha256, features.names, features.values[full], golfers[full]
    )
    save_reference(folder, reference)
    return reference


def reference_of(model_sha256: str, names: tuple[str, ...], values: Array, golfers: NDArray) -> Reference:
    """Quantiles, shares and likeness of every watched feature, for each kind of recorder.

    Parameters
    ----------
    names, values
        Feature names and their values, ``(n_swings, n_features)``.
    golfers
        ``(n_swings,)``.
    """
    marked, forearm = (values[:, names.index(f"setting:{name}")] for name in ("marked", "has_pronation"))
    kind = kind_of(marked > 0.5, forearm > 0.5)
    watched = [k for k, name in enumerate(names) if name.startswith(WATCHED)]
    kinds = {}
    for place, title in enumerate(KINDS):
        rows = kind == place
        if rows.sum() < MIN_SWINGS:
            continue
        golfer = np.unique(golfers[rows], return_inverse=True)[1]
        readings = {names[k]: _reading(values[rows, k], golfer) for k in watched}
        kinds[title] = Kind(golfers=int(golfer.max()) + 1, swings=int(rows.sum()), readings=readings)
    return Reference(schema=SCHEMA, model_sha256=model_sha256, kinds=kinds)


def _reading(values: Array, golfer: NDArray) -> Reading:
    # Rounded first, so that a value that repeats lies on the same side of its edge here and later.
    edges = np.array([float(f"{edge:.6g}") for edge in np.quantile(values, LEVELS)])
    bins = bins_of(edges, values)
    shares = np.bincount(bins, minlength=BINS) / len(bins)
    return Reading(
        edges=tuple(edges.tolist()),
        shares=tuple(np.round(shares, 6).tolist()),
        alike=round(likeness(bins, golfer), 4),
    )


def likeness(bins: NDArray, golfer: NDArray) -> float:
    """Intraclass correlation of the bins by one-way analysis of variance (Fleiss & Cuzick 1979; from memory), 0-1.

    The chance that two swings of one golfer share a bin, beyond that of two golfers' swings.
    """
    counts = np.zeros((int(golfer.max()) + 1, BINS))
    np.add.at(counts, (golfer, bins), 1)
    size = counts.sum(axis=1)
    golfers, swings = len(size), size.sum()
    if golfers < 2 or swings <= golfers:
        return 1.0
    share = counts / size[:, None]
    mean = counts.sum(axis=0) / swings
    between = (size[:, None] * (share - mean) ** 2).sum() / (golfers - 1)
    within = (size[:, None] * share * (1 - share)).sum() / (swings - golfers)
    usual = (swings - (size**2).sum() / swings) / (golfers - 1)
    total = between + (usual - 1) * within
    return float(np.clip((between - within) / total, 0, 1)) if total > 0 else 1.0
