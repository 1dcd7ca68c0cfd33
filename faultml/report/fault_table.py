"""The table of a player's faults: how often, how far, whose edge, which way it goes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from markupsafe import Markup

from faultml.coaching.notes import miss_noun
from faultml.coaching.records import PlayerFault
from faultml.coaching.rules import LATE_SAVE, Coaching
from faultml.outcomes.words import GONE_BELOW
from faultml.report.charts import Share, whisker
from faultml.report.player_tables import PlayerTables
from faultml.report.text import (
    edge_words,
    interval,
    listed,
    load_words,
    percent,
    plus_minus,
    shown,
    shown_reading,
    size,
    spread,
)


@dataclass(frozen=True)
class FaultLine:
    """One row of the table of faults."""

    name: str
    chart: Markup | None
    numbers: str
    season: str
    calls: str
    typical: str
    edge: str
    going: str
    taken_as: str
    leading: bool
    quiet: bool


def fault_lines(tables: PlayerTables, coaching: Coaching) -> list[FaultLine]:
    """The table of faults, in swing order; what could not be assessed is left to `fault_notes`."""
    return [
        _fault_line(tables.faults[fault], coaching)
        for fault in (*coaching.fault_ids, LATE_SAVE)
        if fault in tables.faults and np.isfinite(tables.faults[fault].rate)
    ]


def _fault_line(row: PlayerFault, coaching: Coaching) -> FaultLine:
    fault, unit, kind = row.fault, row.unit, row.kind
    share = Share(row.rate_now, row.rate_now_lo, row.rate_now_hi)
    name = coaching.words[fault]
    share_words = f"{percent(share.value)}, between {percent(share.lo)} and {percent(share.hi)}"
    of_sessions = fault not in coaching.catalogue.ids and fault != LATE_SAVE
    typical, edge = "", ""
    if fault in coaching.catalogue.ids:
        entry = coaching.catalogue[fault]
        typical = shown_reading(entry, row.measure_now) + plus_minus(row.spread, unit)
        edge = edge_words(entry, row.edge)
    elif of_sessions:
        typical = f"differs by {spread(row.measure_now, unit)}"
        edge = f"more than {spread(row.edge, unit)}"
    shows = kind in {"fault", "style", "pattern"}
    return FaultLine(
        name=name + (" (share of sessions)" if of_sessions else ""),
        chart=whisker(share, filled=kind in {"fault", "pattern"}, label=f"{name}: {share_words}"),
        numbers=f"{share.value * 100:.0f} ({interval(share.lo, share.hi)})",
        season=f"{row.rate * 100:.0f}",
        calls="" if fault not in coaching.catalogue.ids else f"{row.flagged_now} of {row.swings_now}",
        typical=typical,
        edge=edge,
        going=going(row, coaching) if shows else "",
        taken_as=_taken_as(row, coaching.rules.shows.rate),
        leading=row.leading,
        quiet=not shows,
    )


def going(row: PlayerFault, coaching: Coaching) -> str:
    """Which way it goes, in words, with the size of the change where it is reported."""
    words = load_words().trend
    if row.trend == "unknown" and row.sessions < coaching.rules.trend.min_sessions:
        return words["early"]
    if row.trend in {"improving", "worsening"}:
        return f"{words[row.trend]}, by {size(abs(row.trend_change), row.unit)}"
    return words[row.trend]


def _taken_as(row: PlayerFault, shows_at: float) -> str:
    """What the fault is taken as; one that showed over the season and does not show now says so."""
    if row.kind == "pattern":
        return "a save, not a fault"
    if row.kind == "none" and row.rate >= shows_at and row.rate_now < GONE_BELOW:
        return "seldom shows now"
    if row.kind not in {"fault", "style"}:
        return ""
    if row.kind == "fault" and row.explains_miss:
        ties = "fits" if row.fit == "agree" else "can bring"
        return f"fault, {ties} the {miss_noun(row.miss)}"
    return row.kind


def fault_notes(tables: PlayerTables, coaching: Coaching, promise: Mapping[str, Any]) -> list[str]:
    """What is not promised, what was not assessed, and whose the edges are where they are not the catalogue's.

    `promise` is what ``run.json`` says of it, empty where nothing.
    """
    lines = []
    doubtful = [
        coaching.words[fault]
        for fault in promise.get("not_promised", ())
        if fault in tables.faults and tables.faults[fault].kind in {"fault", "style"}
    ]
    if doubtful:
        lines.append(
            f"A hint only: {listed(doubtful)}. More than {percent(promise['false_share'])} of such flags can be wrong, "
            "so look for yourself."
        )
    for kind, words in (("not_assessed", "Not assessed"), ("not_learned", "Not learned by this model")):
        names = [coaching.words[fault] for fault, row in tables.faults.items() if row.kind == kind]
        if names:
            lines.append(f"{words}: {listed(names)}.")
    moved = {row.edge_owner for row in tables.faults.values()} - {coaching.catalogue.owner, ""}
    for owner in sorted(moved):
        names = [coaching.words[fault] for fault, row in tables.faults.items() if row.edge_owner == owner]
        lines.append(f"Edges of {shown(owner)}: {listed(names)}. All others: {coaching.catalogue.owner}.")
    return lines or [f"Edges: {coaching.catalogue.owner}."]
