"""One player's part of the page, put together from the tables, the words and the figures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from shlex import quote
from typing import Any, Final

import numpy as np
from markupsafe import Markup

from faultml.channels import CHANNELS
from faultml.coaching.notes import note_text
from faultml.coaching.rules import LATE_SAVE, Coaching
from faultml.drawings.corridor import corridor_for
from faultml.drawings.traces import stack
from faultml.plan.lines import plan_lines
from faultml.report.changes import gone_lines, retest_lines
from faultml.report.charts import closure_budget
from faultml.report.closures import budget
from faultml.report.drill_card import DrillCard, drill_card
from faultml.report.evidence import Evidence, evidence_for
from faultml.report.fault_table import FaultLine, fault_lines, fault_notes
from faultml.report.given import GivenDrill, given_drills
from faultml.report.player_tables import PlayerTables
from faultml.report.sentences import basis, keep, meta, sentence, warnings
from faultml.report.text import load_words, shown
from faultml.report.trends import Trends, trends_for

DRAWN_SWINGS: Final = 12
"""Swings drawn for one player."""

FOLLOWED_FAULTS: Final = 3
"""Faults whose trend is drawn."""


@dataclass(frozen=True)
class Figures:
    """The pictures of a player; each is None where there is nothing to draw."""

    evidence: Evidence | None
    closure: Markup | None
    trends: Trends | None


@dataclass(frozen=True)
class PlayerView:
    """Everything the template shows of a player; `figures` is None where the page leaves them out.

    `typed` is the name as a command takes it.
    """

    anchor: str
    name: str
    typed: str
    meta: str
    sentence: str
    basis: list[str]
    changes: list[str]
    gone: list[str]
    has_pronation: bool
    keep: list[str]
    warnings: list[str]
    plan: list[str]
    plan_day: str
    carries_on: bool
    drill: DrillCard | None
    no_drill: list[str]
    reserves: list[DrillCard]
    given: list[GivenDrill]
    faults: list[FaultLine]
    fault_notes: list[str]
    figures: Figures | None


def player_view(
    player: PlayerTables,
    anchor: str,
    coaching: Coaching,
    promise: Mapping[str, Any],
    *,
    with_figures: bool,
) -> PlayerView:
    """Put a player into words and, where asked for, pictures; `promise` as in `fault_notes`."""
    cards = [drill_card(drill, player, coaching) for drill in player.drills]
    first, reserves = (cards[0], cards[1:]) if cards else (None, [])
    return PlayerView(
        anchor=anchor,
        name=shown(player.name),
        typed=quote(player.name) if shown(player.name) == player.name else "PLAYER",
        meta=meta(player),
        sentence=sentence(player, coaching),
        basis=basis(player, coaching),
        changes=retest_lines(player, coaching),
        gone=gone_lines(player, coaching),
        has_pronation=bool(np.isfinite(player.address_deg[CHANNELS.index("pronation_deg")])),
        keep=keep(player, coaching),
        warnings=warnings(player, coaching),
        plan=_plan(player, coaching),
        plan_day=player.lesson.on if player.lesson else "",
        carries_on=player.lesson is not None and player.lesson.active and first is not None,
        drill=first,
        no_drill=[note_text(note, coaching) for note in (player.no_drill.notes if player.no_drill else ())],
        reserves=reserves,
        given=given_drills(player.given, coaching, player.lesson),
        faults=fault_lines(player, coaching),
        fault_notes=fault_notes(player, coaching, promise),
        figures=_figures(player, coaching) if with_figures else None,
    )


def _plan(player: PlayerTables, coaching: Coaching) -> list[str]:
    """The plan's lines; that the player is paused is said once, in place of the drill."""
    if player.lesson is None:
        return []
    lines = plan_lines(player.lesson, coaching, ids=False)
    lines = [line for line in lines if not (player.paused and line == player.lesson.words)]
    leading = player.leading_fault
    if player.lesson.active and leading is not None and leading.fault != player.lesson.fault:
        served, leads = coaching.words.get(player.lesson.fault), coaching.words[leading.fault]
        lines.append(f"This drill is for {served}; {leads} leads now and waits for it: one drill at a time.")
    return lines


def _figures(player: PlayerTables, coaching: Coaching) -> Figures:
    return Figures(_evidence(player, coaching), _closure(player), _trends(player, coaching))


def _evidence(player: PlayerTables, coaching: Coaching) -> Evidence | None:
    rows = player.curves.head(DRAWN_SWINGS)
    if rows.empty:
        return None
    traces = stack(rows, coaching.rules.shots.good)
    return evidence_for(traces, corridor_for(coaching.catalogue, player.name), player.address_deg)


def _closure(player: PlayerTables) -> Markup | None:
    phases = budget(player.closure_sums) if player.closure_sums else []
    if not any(np.isfinite(phase.bend_deg) for phase in phases):
        return None
    return closure_budget(phases, load_words().limits.closure)


def _trends(player: PlayerTables, coaching: Coaching) -> Trends | None:
    followed = (*coaching.catalogue.ids, LATE_SAVE)
    showing = [
        row for row in player.faults.values() if row.kind in {"fault", "pattern"} and row.fault in followed
    ]
    ordered = sorted(showing, key=lambda row: (not row.leading, -row.rate_now))
    return trends_for(
        player.fault_sums,
        player.session_sums,
        [row.fault for row in ordered[:FOLLOWED_FAULTS]],
        " ".join(map(str, np.atleast_1d(player.roster.get("lessons") or ""))),
        coaching,
    )
