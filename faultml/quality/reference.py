"""What a model has learned from, feature by feature: quantiles of its training golfers, kept beside the bundle.

Recorders differ in whether they mark contact and whether they see the forearm, and what a feature looks like depends on
that. So there is one reference for each of the four kinds.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from faultml.errors import BundleError

Array = NDArray[np.float64]

REFERENCE_FILE: Final = "reference.json"
SCHEMA: Final = 1
LEVELS: Final = (0.005, *(round(k / 10, 1) for k in range(1, 10)), 0.995)
"""Quantiles kept: the deciles, and the ends of the central 99 %. They part the line into `BINS` bins."""
BINS: Final = len(LEVELS) + 1
KINDS: Final = ("plain", "marked", "forearm", "forearm_marked")
"""Kinds of recorder, at the place of ``marked + 2 * has_pronation``."""


class Reading(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One feature in training.

    Attributes
    ----------
    edges
        Its quantiles at `LEVELS`, in the feature's own unit.
    shares
        Share of the training swings in each of the `BINS` bins; ties at an edge go above it.
    alike
        How much alike one golfer's swings are: intraclass correlation of the bins, 0-1.
    """

    edges: tuple[float, ...]
    shares: tuple[float, ...]
    alike: float


class Kind(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One kind of recorder in training: counts, and its features by name."""

    golfers: int
    swings: int
    readings: dict[str, Reading]


class Reference(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What a model has learned from.

    Attributes
    ----------
    model_sha256
        The model file that it belongs to.
    kinds
        By the names in `KINDS`; a kind that training lacked is missing.
    """

    schema: int
    model_sha256: str
    kinds: dict[str, Kind]


def kind_of(marked: NDArray, has_pronation: NDArray) -> NDArray[np.int64]:
    """The place in `KINDS` of each swing's recorder."""
    return np.asarray(marked, bool) + 2 * np.asarray(has_pronation, bool)


def bins_of(edges: Array, values: Array) -> NDArray[np.int64]:
    """The bin of each value: how many of the edges lie at or below it."""
    return np.searchsorted(edges, values, side="right")


def save_reference(folder: Path, reference: Reference) -> None:
    """Write the reference beside a bundle, whole or not at all."""
    text = msgspec.json.format(msgspec.json.encode(reference), indent=0)
    part = folder / f".{REFERENCE_FILE}.part"
    part.write_bytes(text + b"\n")
    part.replace(folder / REFERENCE_FILE)


def load_reference(folder: Path, model_sha256: str) -> Reference | None:
    """The reference beside a bundle; None where it has none.

    Raises
    ------
    BundleError
        ``bad-reference`` where it cannot be read or belongs to another model.
    """
    path = folder / REFERENCE_FILE
    if not path.exists():
        return None
    try:
        reference = msgspec.json.decode(path.read_bytes(), type=Reference)
    except (OSError, msgspec.MsgspecError) as error:
        raise BundleError(
            "bad-reference", where=str(path), expected="a model's reference", found=str(error)
        ) from error
    if reference.schema != SCHEMA or reference.model_sha256 != model_sha256:
        raise BundleError(
            "bad-reference",
            where=str(path),
            expected=f"schema {SCHEMA}, model {model_sha256[:12]}",
            found=f"schema {reference.schema}, model {reference.model_sha256[:12]}",
        )
    return reference
