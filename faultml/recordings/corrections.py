"""What coaches have corrected in a season: landmarks of single swings. An input of the season, as a contact mark is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from faultml.channels import ID_COLUMNS
from faultml.recordings.same_names import SameName
from faultml.recordings.swings import SwingBatch

Landmark = Literal["takeaway", "top", "impact"]
MOVABLE: Final[tuple[Landmark, ...]] = ("takeaway", "top", "impact")
"""Landmarks that a coach may move; no measure depends on the finish."""

COACH_SD_S: Final = 0.010
"""How surely a coach places a landmark on a drawn curve, SD in seconds; practice, no source."""

COACH_COLUMNS: Final = tuple(f"coach_{name}_s" for name in MOVABLE)
"""Optional columns of a batch's table: where the coach has put each landmark, s on the recording's clock, else NaN."""
COACH_SD_COLUMNS: Final = tuple(f"coach_{name}_sd_s" for name in MOVABLE)
"""Beside them: how surely."""


class CoachLandmark(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A landmark of one swing that a coach has placed, seconds on the recording's clock, and the SD of that."""

    player: str
    session: str
    swing: str
    landmark: Landmark
    at_s: float
    sd_s: float = COACH_SD_S


class Corrections(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Everything that coaches have corrected in a season, as it stood when the season was classified.

    Attributes
    ----------
    landmarks
        Placed on single swings; of two marks of one landmark the later one holds.
    names
        Spellings that belong to a player of another name.
    """

    landmarks: tuple[CoachLandmark, ...] = ()
    names: tuple[SameName, ...] = ()


NOTHING_CORRECTED: Final = Corrections()


def with_landmarks(batch: SwingBatch, moved: Sequence[CoachLandmark]) -> SwingBatch:
    """The batch with `COACH_COLUMNS` where a coach has moved a landmark of one of its swings, else as it is."""
    times: dict[tuple[str, ...], dict[str, tuple[float, float]]] = {}
    for each in moved:
        times.setdefault((each.player, each.session, each.swing), {})[each.landmark] = each.at_s, each.sd_s
    ids = batch.table[list(ID_COLUMNS)].itertuples(index=False, name=None) if times else ()
    rows = {row: own for row, key in enumerate(ids) if (own := times.get(key))}
    if not rows:
        return batch
    columns = {
        column: [rows.get(row, {}).get(name, (np.nan, np.nan))[part] for row in range(len(batch))]
        for part, names in enumerate((COACH_COLUMNS, COACH_SD_COLUMNS))
        for name, column in zip(MOVABLE, names, strict=True)
    }
    return replace(batch, table=batch.table.assign(**columns))


def landmark_times(batch: SwingBatch) -> NDArray[np.float64]:
    """Where a coach has put landmarks, ``(n_swings, 3)`` seconds on the recording's clock, NaN where not moved."""
    return _of_coach(batch, COACH_COLUMNS)


def landmark_sds(batch: SwingBatch) -> NDArray[np.float64]:
    """How surely, ``(n_swings, 3)`` seconds, NaN where not moved."""
    return _of_coach(batch, COACH_SD_COLUMNS)


def _of_coach(batch: SwingBatch, columns: tuple[str, ...]) -> NDArray[np.float64]:
    if columns[0] not in batch.table:
        return np.full((len(batch), len(MOVABLE)), np.nan)
    return batch.table[list(columns)].to_numpy(float)


def without_landmarks(batch: SwingBatch, rows: NDArray[np.int64]) -> SwingBatch:
    """Some swings of a batch, with no landmark moved."""
    placed = [*COACH_COLUMNS, *COACH_SD_COLUMNS]
    table = batch.table.iloc[rows].drop(columns=placed, errors="ignore").reset_index(drop=True)
    return SwingBatch(table, batch.t_s[rows], batch.angles_deg[rows], batch.n_samples[rows])
