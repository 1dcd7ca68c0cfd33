"""Which notes a finding, a setup or a drill deserves."""

from __future__ import annotations

from collections.abc import Collection
from typing import Final

from faultml.coaching.notes import Figure, Note, write
from faultml.coaching.players import PlayerFacts
from faultml.coaching.records import PlayerFault, ReadingDoubt
from faultml.coaching.rules import Coaching
from faultml.coaching.setup import DRIFT, EXTENSION_HIGH, EXTENSION_LOW, FROM_ADDRESS
from faultml.outcomes.effects import DrillEffect

NO_GAIN_SO_FAR: Final = "own-evidence-none"
"""Code of the note that a drill has brought nothing on average so far."""

VISIBLY_APART: Final = 0.10
"""From which difference on a share of calls and an estimate beside it ask for a word; practice, no source."""

EDGE_SLACK: Final = {"deg": 10.0, "share": 0.05}
"""How far each edge may be off: common practice, and for the release the span in which it is unsure."""


def finding_notes(
    row: PlayerFault, doubt: ReadingDoubt, facts: PlayerFacts, coaching: Coaching
) -> list[Note]:
    """What the confidence in one fault rests on and what lowers it."""
    rules = coaching.rules.confidence
    wide = {"rate_lo": row.rate_lo, "rate_hi": row.rate_hi}
    shows: dict[str, Figure] = {
        "sessions": row.sessions,
        "rate": row.rate,
        "rate_now": row.rate_now,
        "now_lo": row.rate_now_lo,
        "now_hi": row.rate_now_hi,
    }
    of_swings = row.fault in coaching.catalogue.ids
    if of_swings:
        rests_on = write(
            "rests-on",
            swings=row.swings,
            sessions_now=row.sessions_now,
            swings_now=row.swings_now,
            flagged_now=row.flagged_now,
            **shows,
        )
    else:
        rests_on = write("rests-on-sessions", **shows)
    notes = [rests_on, *drawn_notes(row, coaching)]
    if row.swings < rules.few_swings:
        notes.append(write("few-swings", swings=row.swings))
    if row.sessions < rules.few_sessions:
        notes.append(write("few-sessions", sessions=row.sessions))
    if row.rate_hi - row.rate_lo > rules.wide_interval:
        notes.append(write("wide-interval", **wide))
    notes.append(_edge_note(row, coaching))
    doubts = _reading_notes(row, doubt, facts, coaching)
    return notes + doubts + _mimic_notes(row, {note.code for note in doubts}, facts, coaching)


def drawn_notes(row: PlayerFault, coaching: Coaching) -> list[Note]:
    """Why the estimate of how often a fault shows now is another than the share of calls, where that is seen."""
    if row.fault not in coaching.catalogue.ids or not row.swings_now:
        return []
    calls = row.flagged_now / row.swings_now
    seen = abs(calls - row.rate_now) >= VISIBLY_APART
    return [write("estimate-drawn", calls=calls, rate_now=row.rate_now)] if seen else []


def _edge_note(row: PlayerFault, coaching: Coaching) -> Note:
    """How far past the edge, whose edge it is, and whether that is near."""
    turn = coaching.catalogue[row.fault].measure.shown_sign if row.fault in coaching.catalogue.ids else 1
    past: dict[str, Figure] = {
        "severity": row.severity_now,
        "edge": turn * row.edge,  # as the page's tables show it
        "owner": row.edge_owner,
        "unit": row.unit,
    }
    if row.severity_now * coaching.to_degrees(row.fault) < coaching.rules.confidence.borderline_deg:
        return write("borderline", **past)
    return write("edge", slack=EDGE_SLACK[row.unit], **past)


def _mimic_notes(row: PlayerFault, doubts: set[str], facts: PlayerFacts, coaching: Coaching) -> list[Note]:
    """What can look the same as the fault, and whether it was seen."""
    mimics = coaching.catalogue[row.fault].mimics if row.fault in coaching.catalogue.ids else ()
    known = doubts | set(facts.setup.warnings) - {DRIFT} | facts.findings
    known |= {"late-save-seen"} if facts.late_save else set()
    seen = tuple(
        mimic
        for mimic in mimics
        if any(entry.about in mimic and known & set(entry.seen) for entry in coaching.rules.mimic)
    )
    if seen:
        return [write("mimic-seen", seen=seen)]
    return [write("mimics", mimics=mimics)] if mimics else []


def _reading_notes(
    row: PlayerFault, doubt: ReadingDoubt, facts: PlayerFacts, coaching: Coaching
) -> list[Note]:
    """Doubts about the reading itself."""
    rules, fault = coaching.rules.confidence, row.fault
    notes = []
    if fault in coaching.catalogue.ids:
        entry = coaching.catalogue[fault]
        if doubt.error_sd > getattr(coaching.catalogue.softness, entry.unit):
            notes.append(write("landmark-uncertain", error=doubt.error_sd, unit=entry.unit))
        if entry.needs_pronation:
            notes.append(write("forearm-rotation"))
    if doubt.n_on_guard >= rules.guard_share * max(doubt.n_past, 1):
        notes.append(write("on-its-guard", share=doubt.n_on_guard / doubt.n_past))
    if facts.limited_share >= rules.quality_share:
        notes.append(write("quality-limited", swings=facts.swings, found=dict(facts.limited)))
    unassessed = doubt.n_unassessed / max(doubt.n_unassessed + row.swings, 1)
    if unassessed >= rules.unassessed_share:
        notes.append(write("often-not-assessed", share=unassessed))
    if drift_matters(row, facts, coaching):
        channel = coaching.catalogue[fault].measure.channel
        notes.append(write(DRIFT, drift={channel: facts.setup.drift_deg[channel]}))
    return notes


def drift_matters(row: PlayerFault, facts: PlayerFacts, coaching: Coaching) -> bool:
    """Whether the setup moved by enough to change what is said of a fault.

    Between sessions the setup lies up to half its range off its middle, which moves a measure that is read from the
    address as much: over the edge, or by as much as the change over the season. Differences between two later
    moments and shares of the downswing stay.
    """
    if row.fault not in coaching.catalogue.ids:
        return False
    measure = coaching.catalogue[row.fault].measure
    wide = facts.setup.drift_deg.get(measure.channel, 0.0) if measure.stat in FROM_ADDRESS else 0.0
    changed = row.trend in {"improving", "worsening"} and abs(row.trend_change) < wide
    return changed or abs(row.measure - row.edge) < wide / 2


def setup_notes(facts: PlayerFacts, coaching: Coaching) -> list[Note]:
    """What the setup itself warns of; that it moved is said with the faults it matters for."""
    address = coaching.catalogue.address
    extension = -facts.setup.setup.flexion_deg
    written = {
        EXTENSION_HIGH: lambda: write(EXTENSION_HIGH, extension=extension, high=address.extension_high),
        EXTENSION_LOW: lambda: write(EXTENSION_LOW, extension=extension, low=address.extension_low),
    }
    return [written[code]() for code in facts.setup.warnings if code in written]


def save_notes(rate: float, facts: PlayerFacts, waiting: Collection[str], coaching: Coaching) -> list[Note]:
    """What the late save means for what to work on, where there is one."""
    if not facts.late_save:
        return []
    rules = coaching.rules.late_save
    seen = write("late-save-seen", rate=rate)
    faults = tuple(fault for fault in rules.waits if fault in waiting)
    if not faults:
        return [seen]
    hooks = coaching.rules.closers_first.miss in facts.misses.shares
    waits = write("waiting", faults=faults, cause=rules.cause, risk="hook-worsens" if hooks else "")
    return [seen, write("expect-pushes-meanwhile"), waits]


def evidence_notes(effect: DrillEffect | None, coaching: Coaching) -> list[Note]:
    """What there is for a drill: its mechanism, and what the coach's own players have had of it."""
    if effect is None:
        return [write("low-evidence")]
    if not effect.enough_players:
        return [write("low-evidence"), write("tried", held=effect.held, players=effect.players)]
    degrees = coaching.to_degrees(effect.fault)
    figures: dict[str, Figure] = {
        "players": effect.players,
        "low": effect.improvement_lo_deg / degrees,
        "high": effect.improvement_hi_deg / degrees,
        "unit": coaching.units[effect.fault],
    }
    if not effect.gains:
        return [write(NO_GAIN_SO_FAR, without=effect.players - effect.held, **figures)]
    improvement = effect.improvement_deg / degrees
    return [write("own-evidence", held=effect.held, improvement=improvement, **figures)]


def ball_notes(facts: PlayerFacts) -> list[Note]:
    """What the balls were, and where the roster names another miss."""
    misses = facts.misses
    if not misses.main:
        return []
    if not misses.swings:
        return [write("miss-from-roster")]
    miss = misses.common or misses.main if misses.disagrees else misses.main
    balls: dict[str, Figure] = {
        "miss": miss,
        "n": misses.balls.get(miss, 0),
        "known": round(misses.swings),
        "straight": misses.straight,
    }
    if misses.disagrees:
        return [write("miss-disagrees", usual=misses.usual, **balls)]
    return [write("miss-balls", **balls)]
