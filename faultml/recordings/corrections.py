"""What coaches have corrected in a season: landmarks of single swings. An input of the season, as a contact mark is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Final, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from faultml.channels import ID_COLUMNS, PRONATION
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


MIN_MARKED: Final = 3
"""Fewer marked swings of a golfer are no timing."""


class GolferTiming(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """By how much a golfer's contact comes after the impact as inferred, from earlier swings with a mark.

    Attributes
    ----------
    player, club, recorder, detector
        Whose, with which club and kind of recorder (`recorder_kinds`), and the hash of the detector that inferred.
    offset_s, sd_s
        The difference, and its SD from swing to swing.
    n, since, last
        From so many swings, of the days from and to (ISO).
    swings
        Session and swing of each: it is never used on these.
    """

    player: str
    club: str
    recorder: str
    detector: str
    offset_s: float
    sd_s: float
    n: int
    since: str
    last: str
    swings: tuple[tuple[str, str], ...]


class Corrections(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Everything that coaches have corrected in a season, as it stood when the season was classified.

    Attributes
    ----------
    landmarks
        Placed on single swings; of two marks of one landmark the later one holds.
    names
        Spellings that belong to a player of another name.
    timings
        Of golfers, frozen before the season is assessed.
    """

    landmarks: tuple[CoachLandmark, ...] = ()
    names: tuple[SameName, ...] = ()
    timings: tuple[GolferTiming, ...] = ()


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


def corrected(batch: SwingBatch, corrections: Corrections, detector: str) -> SwingBatch:
    """The batch with everything in corrections but names, which are those it was read with."""
    return with_timings(with_landmarks(batch, corrections.landmarks), corrections.timings, detector)


MAX_AGE_DAYS: Final = 180
"""A timing is used on sessions at most so long before its first or after its last day; practice, no source."""
TIMING_COLUMNS: Final = ("timing_offset_s", "timing_sd_s")
"""Optional columns of a batch's table: the golfer's timing that may be used on a swing, NaN where there is none."""

_COARSE_FROM_HZ, _STEP_HZ, _COARSE_HZ = 250.0, 10.0, 50.0


def with_timings(batch: SwingBatch, timings: Sequence[GolferTiming], detector: str) -> SwingBatch:
    """The batch with `TIMING_COLUMNS` where a golfer has a timing by this detector, else as it is.

    A timing is used with its own club and kind of recorder, not on a swing it was learned from, and not where it is
    stale.
    """
    known = {(each.player, each.club, each.recorder): each for each in timings if each.detector == detector}
    if not known:
        return batch
    players, clubs = (batch.table[name].astype(str) for name in ("player", "club"))
    columns = np.full((2, len(batch)), np.nan)
    sessions, swings = (batch.table[name].astype(str) for name in ("session", "swing"))
    for row, key in enumerate(zip(players, clubs, recorder_kinds(batch), strict=True)):
        own = known.get(key)
        if (
            own is None
            or (sessions.iloc[row], swings.iloc[row]) in own.swings
            or _stale(own, sessions.iloc[row])
        ):
            continue
        columns[:, row] = own.offset_s, own.sd_s
    if np.isnan(columns).all():
        return batch
    return replace(batch, table=batch.table.assign(**dict(zip(TIMING_COLUMNS, columns, strict=True))))


def timings_of(batch: SwingBatch) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The golfer's timing of each swing and the SD of the impact moved by it, ``(n_swings,)`` each, NaN where none."""
    if TIMING_COLUMNS[0] not in batch.table:
        return np.full(len(batch), np.nan), np.full(len(batch), np.nan)
    offset, sd = (batch.table[name].to_numpy(float) for name in TIMING_COLUMNS)
    return offset, sd


def recorder_kinds(batch: SwingBatch) -> list[str]:
    """Each swing's kind of recorder: samples a second, to the nearest 10 (from 250 on, 50), and whether the forearm."""
    n_samples = batch.n_samples
    rows = np.arange(len(batch))
    kinds = []
    for row, count in zip(rows, n_samples, strict=True):
        span_s = batch.t_s[row, count - 1] - batch.t_s[row, 0] if count > 1 else 0.0
        rate_hz = (count - 1) / span_s if span_s > 0 else 0.0
        step_hz = _STEP_HZ if rate_hz < _COARSE_FROM_HZ else _COARSE_HZ
        forearm = bool(np.isfinite(batch.angles_deg[row, PRONATION]).any())
        kinds.append(f"{round(rate_hz / step_hz) * step_hz:.0f} Hz{', forearm' if forearm else ''}")
    return kinds


def _stale(timing: GolferTiming, session: str) -> bool:
    day = iso_day(session)
    if not day:
        return False
    first, on, last = (date.fromisoformat(each) for each in (timing.since, day, timing.last))
    return not first - timedelta(days=MAX_AGE_DAYS) <= on <= last + timedelta(days=MAX_AGE_DAYS)


def iso_day(session: str) -> str:
    """The day that a session's name is, ISO; "" where it is none."""
    try:
        return date.fromisoformat(session[:10]).isoformat()
    except ValueError:
        return ""
