"""One row a player and fault: how often it shows, how far, which way it goes, and what kind it is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import pandas as pd

from faultml.coaching import misses as miss_rules
from faultml.coaching.care import CareRules, cell_text
from faultml.coaching.figures import by_session, figures
from faultml.coaching.misses import MissProfile
from faultml.coaching.rules import LATE_SAVE, Coaching
from faultml.coaching.sessions import COUNTING
from faultml.coaching.setup import PlayerSetup, player_setup
from faultml.coaching.summary import Summary

KINDS: Final = ("fault", "style", "pattern", "none", "not_assessed", "not_learned")
FLAGGED: Final = ("fault", "style", "pattern")
"""Kinds of what is seen often enough in a player."""


@dataclass(frozen=True)
class PlayerFacts:
    """What holds for a player beside the faults.

    Attributes
    ----------
    setup, misses
        The usual address, and what the player misses with.
    late_save
        Whether the pattern shows often enough to count.
    swings, assessed, practice
        Recorded swings, assessed ones, and those of the assessed that were practice with feedback.
    forearm_seen
        Whether forearm rotation was recorded in most assessed swings.
    findings
        Codes carried by a tenth of the assessed swings or more.
    limited_share
        Share of the assessed swings with findings that limit quality (at most; a swing may carry two).
    """

    setup: PlayerSetup
    misses: MissProfile
    late_save: bool
    swings: int
    assessed: int
    practice: int
    forearm_seen: bool
    findings: frozenset[str]
    limited_share: float


class PlayerTable(NamedTuple):
    """The frame of players and faults, and the facts of each player."""

    rows: pd.DataFrame
    facts: dict[str, PlayerFacts]


def player_faults(
    summary: Summary, roster: Mapping[str, Mapping[str, Any]], coaching: Coaching, care: CareRules
) -> PlayerTable:
    """Every player of the season with every fault, the session faults and the late save.

    Columns: ``player, fault, kind`` (one of `KINDS`), ``swings, sessions`` (assessed, practice left out),
    ``rate, rate_lo, rate_hi`` (share of swings, 90 %), ``rate_now`` (the same over the latest sessions),
    ``severity, severity_sd`` (past the edge, where it shows), ``unit, measure, spread`` (mean, and SD
    within sessions), ``edge, edge_owner``, ``onset_phase, onset_at``, ``trend`` with ``trend_change,
    trend_lo, trend_hi`` (first to last session, + worse), ``explains_miss`` (true, false, or null where the
    miss is unknown), ``explains`` (0 to 1), ``miss``. Working columns for the notes: ``n_borderline,
    n_unassessed, n_unlearned, error_sd``.
    """
    everyone = sorted(summary.sessions["player"].unique())
    faults = (*coaching.fault_ids, LATE_SAVE)
    index = pd.MultiIndex.from_product([everyone, faults], names=["player", "fault"])
    rows = figures(by_session(summary, coaching.catalogue), index, coaching).reset_index()
    parts = {
        name: dict(iter(getattr(summary, name).groupby("player"))) for name in ("sessions", "shots", "codes")
    }
    facts, pieces = {}, []
    for player, own in rows.groupby("player", sort=True):
        shots = parts["shots"].get(player, summary.shots.iloc[:0])
        codes = parts["codes"].get(player, summary.codes.iloc[:0])
        usual = cell_text(roster.get(player, {}).get("usual_miss"))
        misses = miss_rules.profile(shots, usual, coaching.rules)
        facts[player] = _facts(own, parts["sessions"][player], codes, misses, coaching, care)
        pieces.append(_with_kinds(own, shots, facts[player], coaching))
    return PlayerTable(
        pd.concat(pieces, ignore_index=True) if pieces else rows.assign(kind="", explains=0.0), facts
    )


def _facts(
    own: pd.DataFrame,
    sessions: pd.DataFrame,
    codes: pd.DataFrame,
    misses: MissProfile,
    coaching: Coaching,
    care: CareRules,
) -> PlayerFacts:
    rules = coaching.rules
    saves = own.loc[own["fault"] == LATE_SAVE, "rate_now"].fillna(0.0)
    assessed = sessions["n_assessed"].sum()
    found = codes[codes["kind"] == "finding"]
    limiting = found.loc[found["code"].isin(rules.confidence.quality_codes), "n"].sum()
    return PlayerFacts(
        setup=player_setup(sessions, care.reference_setup, coaching.catalogue.address, rules.address),
        misses=misses,
        late_save=bool((saves >= rules.shows.late_save_rate).any()),
        swings=int(sessions["n_swings"].sum()),
        assessed=int(assessed),
        practice=int(sessions.loc[~sessions["context"].isin(COUNTING), "n_assessed"].sum()),
        forearm_seen=bool(sessions["n_pronation"].sum() > assessed / 2),
        findings=frozenset(found.loc[found["n"] >= assessed / 10, "code"]) if assessed else frozenset(),
        limited_share=min(1.0, float(limiting / assessed)) if assessed else 0.0,
    )


def _with_kinds(
    own: pd.DataFrame, shots: pd.DataFrame, facts: PlayerFacts, coaching: Coaching
) -> pd.DataFrame:
    """Say of a player's rows what explains the miss, and whether each is a fault, a style, or nothing."""
    rules, misses = coaching.rules, facts.misses
    rate_now = dict(zip(own["fault"], own["rate_now"].fillna(0.0), strict=True))
    shown = {fault for fault, rate in rate_now.items() if fault != LATE_SAVE and rate >= rules.shows.rate}
    brought = {LATE_SAVE, *shown} if facts.late_save else shown
    explained = miss_rules.explains(misses, shots, own["fault"], rules)
    explained = miss_rules.pass_back(explained, coaching.brings, brought, rules.explaining.inherit)
    if facts.late_save:
        cause = rules.late_save.cause
        explained[cause] = max(explained[cause], rules.explaining.save_floor)
    kinds: dict[str, str] = {}
    for row in own.itertuples(index=False):  # in catalogue order, in which causes come before what they bring
        kinds[row.fault] = _kind(row, shown, kinds, explained, facts, coaching)
    told = [
        kinds[fault] in FLAGGED and explained[fault] >= rules.explaining.explains_at if misses.known else None
        for fault in own["fault"]
    ]
    return own.assign(
        kind=own["fault"].map(kinds),
        explains=own["fault"].map(explained).astype(float),
        explains_miss=pd.array(told, dtype="boolean"),
        miss=misses.main,
    )


def _kind(
    row: Any,
    shown: set[str],
    earlier: Mapping[str, str],
    explained: Mapping[str, float],
    facts: PlayerFacts,
    coaching: Coaching,
) -> str:
    """What a fault is in this player; `earlier` holds the kinds of what comes before it in the catalogue."""
    if row.swings == 0:
        return "not_learned" if row.n_unlearned else "not_assessed"
    if row.fault == LATE_SAVE:
        return "pattern" if facts.late_save else "none"
    if row.fault not in shown:
        return "none"
    style, save = coaching.rules.style, coaching.rules.late_save
    harmless = facts.misses.known and explained[row.fault] < style.explains_below
    saving = facts.late_save and row.fault in (save.cause, *save.waits)
    brought = any(
        kind == "fault" and row.fault in coaching.brings.get(cause, ()) for cause, kind in earlier.items()
    )
    steady = (
        row.fault in coaching.catalogue.ids
        and row.spread * coaching.to_degrees(row.fault) <= style.spread_deg
    )
    often = row.rate_now >= style.rate and row.swings >= style.swings
    return "style" if harmless and steady and often and not saving and not brought else "fault"
