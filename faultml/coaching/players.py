"""One row a player and fault: how often it shows, how far, which way it goes, and what kind it is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import pandas as pd

from faultml.coaching.care import CareRules, cell_text
from faultml.coaching.figures import by_session, figures
from faultml.coaching.misses import MissProfile, Shot, explains, pass_back, profile
from faultml.coaching.rules import LATE_SAVE, Coaching, Rules
from faultml.coaching.setup import PlayerSetup, player_setups
from faultml.coaching.summary import Summary
from faultml.results.sessions import COUNTING

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


@dataclass(frozen=True)
class PlayerView:
    """One player: the rows of `player_faults` by fault, in catalogue order, and what else holds."""

    player: str
    rows: Mapping[str, Mapping[str, Any]]
    facts: PlayerFacts


def player_faults(
    summary: Summary, roster: Mapping[str, Mapping[str, Any]], coaching: Coaching, care: CareRules
) -> list[PlayerView]:
    """Every player of the season with every fault, the session faults and the late save.

    A row holds: ``player, fault, kind`` (one of `KINDS`), ``swings, sessions`` (assessed, practice left out),
    ``rate, rate_lo, rate_hi`` (share of swings, 90 %), ``rate_now`` (the same over the latest sessions),
    ``severity, severity_sd`` (past the edge, where it shows), ``unit, measure, spread`` (mean, and SD
    within sessions), ``edge, edge_owner``, ``onset_phase, onset_at``, ``trend`` with ``trend_change,
    trend_lo, trend_hi`` (first to last session, + worse), ``explains_miss`` (true, false, or None where the
    miss is unknown), ``explains`` (0 to 1), ``miss``. Working figures for the notes: ``n_borderline,
    n_unassessed, n_unlearned, error_sd``.
    """
    rules = coaching.rules
    everyone = sorted(summary.sessions["player"].unique())
    index = pd.MultiIndex.from_product(
        [everyone, (*coaching.fault_ids, LATE_SAVE)], names=["player", "fault"]
    )
    rows = _by_player(figures(by_session(summary, coaching.catalogue), index, coaching).reset_index())
    shots, codes = _by_player(summary.shots), _by_player(summary.codes)
    setups = player_setups(summary.sessions, care.reference_setup, coaching.catalogue.address, rules.address)
    sessions = _by_player(summary.sessions)
    views = []
    for player in everyone:
        own = {row["fault"]: row for row in rows[player]}
        hit = [Shot(row["shot"], row["fault"], row["n"], row["p"]) for row in shots.get(player, [])]
        misses = profile(hit, cell_text(roster.get(player, {}).get("usual_miss")), rules)
        facts = _facts(own, sessions[player], codes.get(player, []), misses, setups[player], rules)
        views.append(PlayerView(player, _with_kinds(own, hit, facts, coaching), facts))
    return views


def _by_player(frame: pd.DataFrame) -> dict[str, list[dict[str, Any]]]:
    found: dict[str, list[dict[str, Any]]] = {}
    names = [str(name) for name in frame.columns]
    for player, values in zip(frame["player"], zip(*map(frame.__getitem__, names), strict=True), strict=True):
        found.setdefault(player, []).append(dict(zip(names, values, strict=True)))
    return found


def _facts(
    own: Mapping[str, Mapping[str, Any]],
    sessions: Sequence[Mapping[str, Any]],
    codes: Sequence[Mapping[str, Any]],
    misses: MissProfile,
    setup: PlayerSetup,
    rules: Rules,
) -> PlayerFacts:
    assessed = sum(row["n_assessed"] for row in sessions)
    found = {row["code"]: row["n"] for row in codes if row["kind"] == "finding"}
    limiting = sum(n for code, n in found.items() if code in rules.confidence.quality_codes)
    return PlayerFacts(
        setup=setup,
        misses=misses,
        late_save=own[LATE_SAVE]["rate_now"] >= rules.shows.late_save_rate,
        swings=int(sum(row["n_swings"] for row in sessions)),
        assessed=int(assessed),
        practice=int(sum(row["n_assessed"] for row in sessions if row["context"] not in COUNTING)),
        forearm_seen=sum(row["n_pronation"] for row in sessions) > assessed / 2,
        findings=frozenset(code for code, n in found.items() if n >= max(assessed, 1) / 10),
        limited_share=min(1.0, limiting / assessed) if assessed else 0.0,
    )


def _with_kinds(
    own: Mapping[str, Mapping[str, Any]], shots: Sequence[Shot], facts: PlayerFacts, coaching: Coaching
) -> dict[str, dict[str, Any]]:
    """Say of a player's rows what explains the miss, and whether each is a fault, a style, or nothing."""
    rules, known = coaching.rules, facts.misses.known
    of_sessions = {fault.id for fault in coaching.catalogue.session_faults}
    shown = {
        name
        for name, row in own.items()
        if name != LATE_SAVE
        and row["rate_now"] >= rules.shows.rate
        and (name not in of_sessions or _wanders(row, rules))
    }
    seen = shown | ({LATE_SAVE} if facts.late_save else set())
    explained = explains(facts.misses, shots, own, rules)
    explained = pass_back(explained, coaching.brings, seen, rules.explaining.inherit)
    if facts.late_save:
        cause = rules.late_save.cause
        explained[cause] = max(explained[cause], rules.explaining.save_floor)
    kinds: dict[str, str] = {}
    rows = {}
    for name, row in own.items():  # in catalogue order, in which causes come before what they bring
        kinds[name] = _kind(row, name in shown, kinds, explained[name], facts, coaching)
        told = kinds[name] in FLAGGED and explained[name] >= rules.explaining.explains_at
        rows[name] = {
            **row,
            "kind": kinds[name],
            "explains": explained[name],
            "explains_miss": told if known else None,
            "miss": facts.misses.main,
        }
    return rows


def _wanders(row: Mapping[str, Any], rules: Rules) -> bool:
    """Whether a fault of a session is past its edge on average, in more than a session or two."""
    return bool(row["measure"] > row["edge"] and row["rate_lo"] >= rules.shows.session_least)


def _kind(
    row: Mapping[str, Any],
    shown: bool,
    earlier: Mapping[str, str],
    explained: float,
    facts: PlayerFacts,
    coaching: Coaching,
) -> str:
    """What a fault is in this player; `earlier` holds the kinds of what comes before it in the catalogue."""
    fault, style, save = row["fault"], coaching.rules.style, coaching.rules.late_save
    if row["swings"] == 0:
        return "not_learned" if row["n_unlearned"] else "not_assessed"
    if fault == LATE_SAVE:
        return "pattern" if facts.late_save else "none"
    if not shown:
        return "none"
    harmless = facts.misses.known and explained < style.explains_below
    saving = facts.late_save and fault in (save.cause, *save.waits)
    brought = any(
        kind == "fault" and fault in coaching.brings.get(cause, ()) for cause, kind in earlier.items()
    )
    steady = row["spread"] * coaching.to_degrees(fault) <= style.spread_deg
    often = row["rate_now"] >= style.rate and row["swings"] >= style.swings
    return "style" if harmless and steady and often and not saving and not brought else "fault"
