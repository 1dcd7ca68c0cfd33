"""One player's faults and drills, typed: what coaching decides and every face shows."""

from __future__ import annotations

import math
from typing import Any, Literal, TypeVar

import msgspec
import numpy as np
import pandas as pd

from faultml.coaching.misses import FitWord
from faultml.coaching.notes import Confidence, Note
from faultml.coaching.window import AnyWindow, Must, Reference, Side, SpreadWindow, Window
from faultml.faults.catalogue import Channel
from faultml.rules_file import Record

Kind = Literal["fault", "style", "pattern", "none", "not_assessed", "not_learned"]
Unit = Literal["deg", "share", ""]
OnsetPhase = Literal["b", "d", "f", ""]
Trend = Literal["improving", "worsening", "steady", "unknown"]


class FaultFigures(Record, frozen=True):
    """How often one fault shows in one player's season, how far, and which way it goes.

    Attributes
    ----------
    swings, sessions
        Assessed swings and sessions, practice with feedback left out.
    rate, rate_lo, rate_hi
        Share of swings that show the fault, 0 to 1: posterior mean and 90 % interval; NaN where none was
        assessed.
    flagged
        Swings whose call is yes; 0 for a fault of a session, which has no calls.
    swings_now, sessions_now, flagged_now
        The same counts over the last sessions, which say what shows now.
    rate_now, rate_now_lo, rate_now_hi
        The share of those swings, with its 90 % interval.
    severity, severity_sd, severity_now
        How far past the edge where it shows, in `unit`, its SD over swings, and over the last sessions.
    unit
        ``deg``, or ``share`` of the downswing; "" for the late save.
    measure, spread, measure_now
        Mean of the measure over all swings, its SD within sessions, and the mean over the last sessions.
    edge, edge_owner
        Where the corridor ends for this player, and whose edge that is.
    onset_phase, onset_at
        Mean onset of the flagged swings: phase, and fraction of it.
    trend, trend_change, trend_lo, trend_hi
        Change from the first session to the last, + worse, with a 90 % interval, in `unit`.
    """

    player: str
    fault: str
    swings: int
    sessions: int
    rate: float
    rate_lo: float
    rate_hi: float
    flagged: int
    swings_now: int
    sessions_now: int
    flagged_now: int
    rate_now: float
    rate_now_lo: float
    rate_now_hi: float
    severity: float
    severity_sd: float
    severity_now: float
    unit: Unit
    measure: float
    spread: float
    measure_now: float
    edge: float
    edge_owner: str
    onset_phase: OnsetPhase
    onset_at: float
    trend: Trend
    trend_change: float
    trend_lo: float
    trend_hi: float


class PlayerFault(FaultFigures, frozen=True):
    """One player's fault: a row of the table ``players``.

    Attributes
    ----------
    kind
        What the fault is in this player.
    explains, explains_miss
        How well it explains the player's misses, 0 to 1, and whether that is enough; None where the misses
        are unknown.
    miss
        The most common miss, "" where there is none.
    miss_balls, straight_balls, known_balls
        Balls in play with that miss, straight ones, and all whose shot is known.
    usual_miss
        The misses that the roster names, "" where it names none.
    fit
        What ties the fault to the miss: ``agree`` (catalogue and balls), ``catalogue`` (the balls show no clear
        difference), ``data`` (the balls alone), ``against`` (the catalogue, and the balls say the opposite), "".
    fit_balls, fit_rate, fit_others, fit_others_rate
        Balls with the miss that were assessed for the fault, the estimated share of them that show it, and the same
        of the other balls.
    leading
        Whether it is the fault most worth working on.
    confidence, notes
        How sure the finding is and why; empty where nothing is flagged.
    warnings
        Codes of the setup's warnings.
    """

    kind: Kind
    explains: float
    explains_miss: bool | None
    miss: str
    miss_balls: int
    straight_balls: int
    known_balls: int
    usual_miss: str
    fit: FitWord
    fit_balls: int
    fit_rate: float
    fit_others: int
    fit_others_rate: float
    leading: bool = False
    confidence: Confidence | Literal[""] = ""
    notes: tuple[Note, ...] = ()
    warnings: tuple[str, ...] = ()


class ReadingDoubt(Record, frozen=True):
    """What the notes of a fault need to know of its reading.

    Attributes
    ----------
    n_unassessed, n_unlearned
        Swings in which the fault could not be assessed, and in which the model does not know it.
    n_past, n_on_guard
        Swings past the edge, and those of them in which the fault's guard, its second condition, is in doubt.
    error_sd
        The measure's error, root mean square over the swings, in the fault's unit.
    """

    player: str
    fault: str
    n_unassessed: int
    n_unlearned: int
    n_past: int
    n_on_guard: int
    error_sd: float


class PlayerDrill(Record, frozen=True):
    """A drill for one player: a row of the table ``drills`` of rank 1 or more.

    Attributes
    ----------
    rank
        1 to work on next; from 2 on in reserve.
    priority
        The expected benefit.
    care
        ``give``; ``show`` where something has to be asked before the drill is given.
    confidence, notes
        How far to trust it and why.
    faults
        What it works on, the fault it is for first.
    window_fault, window_channel, window_reference, window_from, window_to, window_must, window_side
        The practice window (`faultml.coaching.window.Window`): the fault it reads, the angle, what the bound is
        relative to, first and last moment, and on which side of the bound the curve has to stay, or reach. A spread
        over a session is ``repeat``, with no moment and no side.
    window_bound_deg, window_guard_deg, window_max_sd
        Its bound and its guard in the player's own numbers, and the largest spread; NaN where there is none.
    dose, retest
        How much, and what shows that it worked.
    retest_due
        ISO date, "" where the sessions have no dates.
    """

    player: str
    rank: int
    drill: str
    priority: float
    care: Literal["give", "show"]
    confidence: Confidence
    notes: tuple[Note, ...]
    faults: tuple[str, ...]
    dose: str
    retest: str
    retest_due: str
    window_fault: str
    window_channel: Channel
    window_must: Must | Literal["repeat"]
    window_reference: Reference | Literal[""] = ""
    window_from: str = ""
    window_to: str = ""
    window_side: Side | Literal[""] = ""
    window_bound_deg: float = math.nan
    window_guard_deg: float = math.nan
    window_max_sd: float = math.nan

    @property
    def window(self) -> AnyWindow:
        """The practice window in the player's own numbers."""
        if self.window_must == "repeat":
            return SpreadWindow(
                fault=self.window_fault, channel=self.window_channel, max_sd=self.window_max_sd
            )
        return Window(
            fault=self.window_fault,
            channel=self.window_channel,
            reference=self.window_reference or "setup",
            start=self.window_from,
            end="" if self.window_to == self.window_from else self.window_to,
            must=self.window_must,
            side=self.window_side or "below",
            bound_deg=self.window_bound_deg,
            guard_deg=None if math.isnan(self.window_guard_deg) else self.window_guard_deg,
        )


def window_cells(window: AnyWindow) -> dict[str, Any]:
    """The window's part of a `PlayerDrill`; a spread has no bound that one swing could be held against."""
    cells = {"window_fault": window.fault, "window_channel": window.channel}
    if isinstance(window, SpreadWindow):
        return cells | {"window_must": "repeat", "window_max_sd": window.max_sd}
    return {
        **cells,
        "window_reference": window.reference,
        "window_from": window.start,
        "window_to": window.end or window.start,
        "window_must": window.must,
        "window_side": window.side,
        "window_bound_deg": window.bound_deg,
        "window_guard_deg": math.nan if window.guard_deg is None else window.guard_deg,
    }


class NoDrill(Record, frozen=True):
    """Why a player gets no drill: the row of rank 0 of the table ``drills``."""

    player: str
    reason: str
    notes: tuple[Note, ...]
    faults: tuple[str, ...]


class PlayerPlan(Record, frozen=True):
    """What coaching leaves of one player: faults in catalogue order, and drills by rank or why there are none."""

    player: str
    faults: tuple[PlayerFault, ...]
    drills: tuple[PlayerDrill, ...] = ()
    no_drill: NoDrill | None = None


Row = TypeVar("Row", bound=Record)


def records_of(frame: pd.DataFrame, kind: type[Row]) -> list[Row]:
    """Rows of a frame as records of `kind`; columns the record does not have are left out.

    Raises
    ------
    msgspec.ValidationError
        Where a column is missing or a cell does not fit.
    """
    names = [field for field in kind.__struct_fields__ if field in frame.columns]
    columns = [_cells(frame[name]) for name in names]
    rows = [dict(zip(names, values, strict=True)) for values in zip(*columns, strict=True)]
    return [msgspec.convert(row, kind) for row in rows]


def _cells(column: pd.Series) -> list[Any]:
    """A column's cells as plain Python values; missing flags are None."""
    if column.dtype == "boolean":
        return [None if pd.isna(value) else bool(value) for value in column]
    return [value.tolist() if isinstance(value, np.ndarray) else value for value in column.tolist()]
