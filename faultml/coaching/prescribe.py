"""From a season's sums to the tables a coach reads: players, and one drill each to work on next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import pandas as pd

from faultml.coaching import retest
from faultml.coaching.care import CareRules, PlayerCare, care_of, load_care, roster_rows
from faultml.coaching.explain import PlayerExplanation, explanation
from faultml.coaching.notes import Note, confidence
from faultml.coaching.plan import PlayerPlan
from faultml.coaching.players import PlayerFacts, player_faults
from faultml.coaching.ranking import Option
from faultml.coaching.rules import Coaching
from faultml.coaching.summary import Summary
from faultml.outcomes.effects import Effects

PLAYER_COLUMNS: Final = [
    "player", "fault", "kind", "leading", "swings", "sessions", "rate", "rate_lo", "rate_hi", "rate_now",
    "severity", "severity_sd", "unit", "measure", "spread", "edge", "edge_owner", "onset_phase", "onset_at",
    "trend", "trend_change", "trend_lo", "trend_hi", "explains_miss", "explains", "miss",
    "confidence", "notes", "warnings",
]  # fmt: skip
DRILL_COLUMNS: Final = [
    "player", "rank", "drill", "priority", "confidence", "notes", "faults",
    "window_channel", "window_from", "window_to", "window_lo_deg", "window_hi_deg",
    "dose", "retest", "retest_due", "reason",
]  # fmt: skip


@dataclass(frozen=True)
class Prescription:
    """What coaching leaves of a season.

    Attributes
    ----------
    players
        A row a player and fault (`PLAYER_COLUMNS`): see `player_faults`. ``leading`` marks the fault most
        worth working on; ``confidence`` (high, moderate, low) and ``notes`` ("code: sentence") stand on
        flagged rows, ``warnings`` (codes of the setup) on all.
    drills
        A row a player and drill (`DRILL_COLUMNS`), rank 1 to work on next, 2 and 3 in reserve. ``priority``
        is the expected benefit. A player with none has one row of rank 0, whose ``reason`` and ``notes``
        say why.
    retests
        Every re-test so far: see `retest_results`.
    explanations
        Player -> every number behind the ranking.
    """

    players: pd.DataFrame
    drills: pd.DataFrame
    retests: pd.DataFrame
    explanations: dict[str, PlayerExplanation]


def prescribe(
    summary: Summary,
    roster: pd.DataFrame | None,
    coaching: Coaching,
    care: CareRules | None = None,
    effects: Effects | None = None,
) -> Prescription:
    """Turn a season's sums into players, drills and explanations.

    Parameters
    ----------
    summary
        The season, summed up and merged.
    roster
        Columns as in `roster.csv`; None, or a player without a row, is unknown everywhere.
    coaching
        Catalogue, drill book and rules.
    care
        The rules of care; the package's own where not given.
    effects
        What drills have brought so far; none where not given. They weigh drills against each other, and never
        stand against care.
    """
    care = care or load_care()
    told = roster_rows(roster)
    results = retest.retest_results(summary, coaching)
    tested: dict[str, list[dict[str, Any]]] = {}
    for row in results.to_dict("records"):
        tested.setdefault(row["player"], []).append(row)
    sessions = summary.sessions.groupby("player")["session"].unique().to_dict()
    plans = [
        PlayerPlan(
            view=view,
            care=_with_seen_misses(care_of(told.get(view.player), care), view.facts),
            retests=retest.latest(tested.get(view.player, [])),
            sessions=sessions[view.player],
            coaching=coaching,
            rules=care,
            effects=effects or {},
        )
        for view in player_faults(summary, told, coaching, care)
    ]
    return Prescription(
        players=_player_frame([row for plan in plans for row in _player_rows(plan)]),
        drills=_drill_frame([row for plan in plans for row in _drill_rows(plan)]),
        retests=results,
        explanations={plan.player: explanation(plan) for plan in plans},
    )


def _with_seen_misses(care: PlayerCare, facts: PlayerFacts) -> PlayerCare:
    return replace(care, hits_fat=care.hits_fat or facts.misses.main == "fat")


def _player_rows(plan: PlayerPlan) -> list[dict[str, Any]]:
    flagged = {fault: plan.finding_notes(fault) for fault in (*plan.faults, *plan.styles)}
    return [
        {
            **row,
            "leading": fault == plan.leading,
            "confidence": confidence(flagged[fault]) if fault in flagged else "",
            "notes": _told(flagged.get(fault, [])),
            "warnings": list(plan.facts.setup.warnings),
        }
        for fault, row in plan.view.rows.items()
    ]


def _drill_rows(plan: PlayerPlan) -> list[dict[str, Any]]:
    if plan.reason:
        return [_reason_row(plan)]
    return [_drill_row(plan, option) for option in plan.picked]


def _drill_row(plan: PlayerPlan, option: Option) -> dict[str, Any]:
    drill, window = plan.coaching.book[option.drill], plan.windows[option.drill]
    notes = plan.drill_notes(option)
    return {
        "player": plan.player,
        "rank": option.rank,
        "drill": drill.id,
        "priority": option.benefit,
        "confidence": confidence(notes),
        "notes": _told(notes),
        "faults": [part.fault for part in sorted(option.parts, key=lambda part: -part.benefit)],
        "window_channel": drill.window.channel,
        "window_from": drill.window.start,
        "window_to": drill.window.end,
        "window_lo_deg": window.low_deg,
        "window_hi_deg": window.high_deg,
        "dose": str(drill.dose),
        "retest": str(drill.retest),
        "retest_due": plan.retest_due(drill),
        "reason": "",
    }


def _reason_row(plan: PlayerPlan) -> dict[str, Any]:
    text = dict.fromkeys(DRILL_COLUMNS, "")
    numbers = dict.fromkeys(("priority", "window_lo_deg", "window_hi_deg"), float("nan"))
    told = {
        "player": plan.player,
        "rank": 0,
        "notes": _told(plan.reason_notes()),
        "faults": list(plan.faults),
    }
    return text | numbers | told | {"reason": plan.reason}


def _told(notes: Sequence[Note]) -> list[str]:
    return [str(note) for note in notes]


def _player_frame(rows: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    frame = pd.DataFrame(list(rows), columns=PLAYER_COLUMNS)
    return frame.astype({"explains_miss": "boolean", "leading": bool})


def _drill_frame(rows: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    frame = pd.DataFrame(list(rows), columns=DRILL_COLUMNS)
    return frame.astype({"rank": int, "priority": float, "window_lo_deg": float, "window_hi_deg": float})
