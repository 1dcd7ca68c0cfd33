"""The figures of each player and fault: sums over sessions become rates, severities and trends."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from faultml.coaching.estimates import Floats, add_up, difference, rates, trends, within_sd
from faultml.coaching.rules import LATE_SAVE, Coaching
from faultml.coaching.steadiness import session_faults
from faultml.coaching.summary import SUMS, Summary
from faultml.faults.catalogue import PHASE_STARTS, Catalogue
from faultml.results.sessions import COUNTING, number_sessions, on_practice_days

NUMBERS: Final = list(SUMS["faults"])
COUNTS: Final = ("n_unassessed", "n_unlearned", "n_on_guard")
"""Counts over the season that are passed on as they are."""


def by_session(summary: Summary, catalogue: Catalogue) -> pd.DataFrame:
    """Sums of each player, session and fault over the contexts that count.

    A session fault is one answer a session, as another fault is one answer a swing: its row has ``n`` 1,
    the session's SD for a measure, and in ``swings`` the number of swings it rests on. ``order`` is the
    session's place in time, ``practised`` whether it also holds practice with feedback.
    """
    counting = summary.faults[summary.faults["context"].isin(COUNTING)]
    swing = counting.groupby(["player", "session", "fault"], sort=True)[NUMBERS].sum().reset_index()
    judged = session_faults(summary.spread, catalogue)
    whole = judged[["player", "session", "fault", "p"]].assign(
        n=1.0,
        n_measured=1.0,
        pq=judged["p"] * (1 - judged["p"]),
        p_severity=judged["p"] * judged["severity"],
        p_severity2=judged["p"] * judged["severity"] ** 2,
        measure=judged["sd"],
        measure2=judged["sd"] ** 2,
    )
    parts = [swing.assign(swings=swing["n"]), whole.assign(swings=judged["n"])]
    rows = pd.concat([part for part in parts if len(part)] or parts[:1], ignore_index=True)
    rows[NUMBERS] = rows[NUMBERS].fillna(0.0)
    return rows.assign(
        order=number_sessions(rows).to_numpy(float), practised=on_practice_days(rows, summary.sessions)
    )


def figures(sessions: pd.DataFrame, index: pd.MultiIndex, coaching: Coaching) -> pd.DataFrame:
    """The figures of every player and fault in `index`, from the rows of `by_session`.

    The columns are those of `FaultFigures`, and what `ReadingDoubt` asks for besides.
    """
    faults, size = index.get_level_values("fault"), len(index)
    sessions = sessions[sessions["fault"].isin(index.levels[1])]
    group = groups(sessions, index)
    each = {name: sessions[name].to_numpy(float) for name in (*NUMBERS, "swings", "order")}
    total = {name: add_up(group, each[name], size) for name in (*NUMBERS, "swings")}
    known = total["n"] > 0
    rate = rates(group, size, each["n"], each["p"], each["pq"], coaching.rules.rate)
    mean = ratio(each["measure"], each["n_measured"])
    measured = np.where(each["n_measured"] > 0, each["swings"], 0.0)
    worse, degrees = _directions(faults, coaching)
    trend = trends(group, size, each["order"], measured, mean, worse, degrees, coaching.rules.trend)
    severity = _severity(faults, total)
    scatter = [each[name] for name in ("n_measured", "measure", "measure2", "error2")]
    phase, at = _onset(ratio(total["onset"], total["n_onset"]))
    edges = [_edge(fault, player, coaching) for player, fault in index]
    columns = {
        "swings": total["swings"].astype(int),
        "sessions": add_up(group, each["n"] > 0, size).astype(int),
        "rate": np.where(known, rate.mean, np.nan),
        "rate_lo": np.where(known, rate.low, np.nan),
        "rate_hi": np.where(known, rate.high, np.nan),
        "flagged": total["n_flagged"].astype(int),
        **_now(sessions, index, coaching),
        "severity": severity,
        "severity_sd": np.sqrt(difference(ratio(total["p_severity2"], total["p"]), severity**2)),
        "unit": [coaching.units.get(fault, "") for fault in faults],
        "measure": ratio(total["measure"], total["n_measured"]),
        "spread": within_sd(group, size, *scatter),
        "edge": [edge for edge, _ in edges],
        "edge_owner": [owner for _, owner in edges],
        "onset_phase": phase,
        "onset_at": at,
        "trend": np.where(known, trend.word, "unknown"),
        "trend_change": trend.change,
        "trend_lo": trend.low,
        "trend_hi": trend.high,
        "n_past": (total["n_measured"] - total["n_inside"]).astype(int),
        "error_sd": np.sqrt(ratio(total["error2"], total["n_measured"])),
    }
    return pd.DataFrame(columns | {name: total[name].astype(int) for name in COUNTS}, index=index)


def groups(sessions: pd.DataFrame, index: pd.MultiIndex) -> NDArray[np.int64]:
    """Each row's place in an index of players and faults."""
    return index.get_indexer(pd.MultiIndex.from_frame(sessions[["player", "fault"]]))


def ratio(top: Floats, bottom: Floats) -> Floats:
    """Quotients, NaN where there is nothing to divide by."""
    return np.divide(top, bottom, out=np.full(len(top), np.nan), where=bottom > 0)


def _severity(faults: pd.Index, total: dict[str, Floats]) -> Floats:
    """Mean distance past the edge, each swing counted by how likely it shows the fault; the late save has none."""
    return np.where(faults == LATE_SAVE, np.nan, ratio(total["p_severity"], total["p"]))


def _now(sessions: pd.DataFrame, index: pd.MultiIndex, coaching: Coaching) -> dict[str, Floats]:
    """What shows now: figures over each player's last sessions in which the fault was assessed.

    A session that also holds practice with feedback counts only where the player has no other.
    """
    rules, size = coaching.rules.rate, len(index)
    done = sessions[sessions["n"] > 0].sort_values("order", ascending=False, kind="stable")
    all_practised = done.groupby(["player", "fault"])["practised"].transform("all")
    done = done[~done["practised"] | all_practised]
    each = done.groupby(["player", "fault"])
    later = each["swings"].cumsum() - done["swings"]
    last = done[(each.cumcount() < rules.now_sessions) | (later < rules.now_swings)].sort_index()
    group = groups(last, index)
    names = ("n", "swings", "p", "pq", "n_flagged", "n_measured", "p_severity", "measure")
    values = {name: last[name].to_numpy(float) for name in names}
    total = {name: add_up(group, values[name], size) for name in names}
    known = total["n"] > 0
    rate = rates(group, size, values["n"], values["p"], values["pq"], rules)
    return {
        "swings_now": total["swings"].astype(int),
        "sessions_now": add_up(group, values["n"] > 0, size).astype(int),
        "flagged_now": total["n_flagged"].astype(int),
        "rate_now": np.where(known, rate.mean, np.nan),
        "rate_now_lo": np.where(known, rate.low, np.nan),
        "rate_now_hi": np.where(known, rate.high, np.nan),
        "severity_now": _severity(index.get_level_values("fault"), total),
        "measure_now": ratio(total["measure"], total["n_measured"]),
    }


def _directions(faults: pd.Index, coaching: Coaching) -> tuple[Floats, Floats]:
    """Per fault the direction in which its measure gets worse, +1 or -1, and the factor to degrees."""
    signs = {fault.id: float(fault.sign) for fault in coaching.catalogue.faults}
    worse = np.array([signs.get(fault, 1.0) for fault in faults])
    degrees = np.array([1.0 if fault == LATE_SAVE else coaching.to_degrees(fault) for fault in faults])
    return worse, degrees


def _edge(fault: str, player: str, coaching: Coaching) -> tuple[float, str]:
    """The edge that holds for a player, and whose it is."""
    catalogue = coaching.catalogue
    if fault in catalogue.ids:
        return catalogue.edge(fault, player)
    edges = {entry.id: entry.edge for entry in catalogue.session_faults}
    return (edges[fault], catalogue.owner) if fault in edges else (float("nan"), "")


def _onset(place: Floats) -> tuple[list[str], Floats]:
    """From the one axis (backswing 0-1, downswing 1-2, after impact from 2) back to phase and fraction."""
    phases = {start: phase for phase, start in PHASE_STARTS.items()}
    whole = np.clip(np.floor(np.nan_to_num(place)), 0, max(phases)).astype(int)
    defined = np.isfinite(place)
    return [
        phases[int(start)] if seen else "" for start, seen in zip(whole, defined, strict=True)
    ], place - whole
