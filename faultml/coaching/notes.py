"""Confidence notes: a code and a plain sentence each, and how sure they leave one.

The sentences are data (`notes.toml`); which of them a finding deserves is decided here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final, Literal

from faultml.coaching.data import Record, load_data
from faultml.coaching.players import PlayerFacts
from faultml.coaching.rules import Coaching
from faultml.coaching.setup import DRIFT, EXTENSION_HIGH, EXTENSION_LOW
from faultml.outcomes.effects import DrillEffect

Confidence = Literal["high", "moderate", "low"]

STEPS: Final[tuple[Confidence, ...]] = ("high", "moderate", "low")
WEAK: Final = "weak-finding"
"""Code of the note that there is too little in a finding to train."""

EDGE_SLACK: Final = {"deg": 10.0, "share": 0.05}
"""How far each edge may be off: common practice, and for the release the span in which it is unsure."""


class Wording(Record, frozen=True):
    """A note as written: `text` has its figures in braces, `lowers` is in steps of confidence."""

    code: str
    text: str
    lowers: Literal[0, 1, 2] = 0


class _NotesFile(Record, frozen=True):
    schema: Literal[1]
    reasons: dict[str, str]
    note: tuple[Wording, ...]


@dataclass(frozen=True)
class Note:
    """A note with its figures in."""

    code: str
    text: str
    lowers: int = 0

    def __str__(self) -> str:
        return f"{self.code}: {self.text}"


@lru_cache(maxsize=1)
def _file() -> _NotesFile:
    return load_data("notes.toml", _NotesFile)


@lru_cache(maxsize=1)
def wordings() -> dict[str, Wording]:
    """All notes by code."""
    return {entry.code: entry for entry in _file().note}


def reasons() -> dict[str, str]:
    """What can speak against a drill, by code, in words."""
    return _file().reasons


def write(code: str, **figures: object) -> Note:
    """The note of a code; raises `KeyError` for an unknown code or a missing figure."""
    wording = wordings()[code]
    return Note(code, wording.text.format(**figures), wording.lowers)


def confidence(notes: Iterable[Note]) -> Confidence:
    """How sure the notes leave one of the finding."""
    return STEPS[min(sum(note.lowers for note in notes), len(STEPS) - 1)]


def finding_notes(row: Mapping[str, Any], facts: PlayerFacts, coaching: Coaching) -> list[Note]:
    """What the confidence in one fault rests on and what lowers it; `row` is one of `player_faults`."""
    rules, fault, unit = coaching.rules.confidence, str(row["fault"]), str(row["unit"])
    interval = {name: percent(row[name]) for name in ("rate", "rate_lo", "rate_hi")}
    swings, sessions = int(row["swings"]), count(int(row["sessions"]), "session")
    of_swings = fault in coaching.catalogue.ids
    notes = [
        write("rests-on" if of_swings else "rests-on-sessions", swings=swings, sessions=sessions, **interval)
    ]
    if swings < rules.few_swings:
        notes.append(write("few-swings", swings=swings))
    if row["sessions"] < rules.few_sessions:
        notes.append(write("few-sessions", sessions=sessions))
    if row["rate_hi"] - row["rate_lo"] > rules.wide_interval:
        notes.append(write("wide-interval", **interval))
    edge = {name: size(row[name], unit) for name in ("severity", "edge")}
    edge |= {"owner": row["edge_owner"], "slack": size(EDGE_SLACK[unit], unit)}
    near = row["severity"] * coaching.to_degrees(fault) < rules.borderline_deg
    notes.append(write("borderline" if near else "edge", **edge))
    doubts = _reading_notes(row, facts, coaching)
    notes += doubts
    mimics = coaching.catalogue[fault].mimics if of_swings else ()
    known = {note.code for note in doubts} | set(facts.setup.warnings) | facts.findings
    known |= {"late-save-seen"} if facts.late_save else set()
    seen = [
        mimic
        for mimic in mimics
        if any(entry.about in mimic and known & set(entry.seen) for entry in coaching.rules.mimic)
    ]
    if seen:
        notes.append(write("mimic-seen", seen=listed(seen).capitalize()))
    elif mimics:
        notes.append(write("mimics", mimics=listed(mimics)))
    return notes


def _reading_notes(row: Mapping[str, Any], facts: PlayerFacts, coaching: Coaching) -> list[Note]:
    """Doubts about the reading itself."""
    rules, fault = coaching.rules.confidence, str(row["fault"])
    notes = []
    if fault in coaching.catalogue.ids:
        entry = coaching.catalogue[fault]
        if row["error_sd"] > getattr(coaching.catalogue.softness, entry.unit):
            notes.append(write("landmark-uncertain", error=size(row["error_sd"], entry.unit)))
        if entry.needs_pronation:
            notes.append(write("forearm-rotation"))
    if facts.limited_share >= rules.quality_share:
        notes.append(write("quality-limited", share=percent(facts.limited_share)))
    unassessed = row["n_unassessed"] / max(row["n_unassessed"] + row["swings"], 1)
    if unassessed >= rules.unassessed_share:
        notes.append(write("often-not-assessed", share=percent(unassessed)))
    if DRIFT in facts.setup.warnings:
        notes.append(drift_note(facts))
    return notes


def setup_notes(facts: PlayerFacts, coaching: Coaching) -> list[Note]:
    """What the setup warns of."""
    address = coaching.catalogue.address
    extension = size(-facts.setup.setup.flexion_deg, "deg")
    written = {
        EXTENSION_HIGH: lambda: write(
            EXTENSION_HIGH, extension=extension, high=size(address.extension_high, "deg")
        ),
        EXTENSION_LOW: lambda: write(
            EXTENSION_LOW, extension=extension, low=size(address.extension_low, "deg")
        ),
        DRIFT: lambda: drift_note(facts),
    }
    return [written[code]() for code in facts.setup.warnings]


def drift_note(facts: PlayerFacts) -> Note:
    """How far the address moved between sessions."""
    names = {"flexion_deg": "flexion", "ulnar_deg": "ulnar deviation", "pronation_deg": "forearm rotation"}
    moved = [f"{size(wide, 'deg')} of {names[angle]}" for angle, wide in facts.setup.drift_deg.items()]
    return write(DRIFT, drift=listed(moved))


def save_notes(rate: float, facts: PlayerFacts, waiting: Iterable[str], coaching: Coaching) -> list[Note]:
    """What the late save means for what to work on, where there is one."""
    if not facts.late_save:
        return []
    rules = coaching.rules.late_save
    seen = write("late-save-seen", rate=percent(rate))
    names = [coaching.words[fault] for fault in rules.waits if fault in waiting]
    if not names:
        return [seen]
    hooks = coaching.rules.closers_first.miss in facts.misses.shares
    waiting_note = write(
        "waiting",
        faults=listed(names),
        cause=coaching.words[rules.cause],
        risk="; taking the save away first makes the hook worse" if hooks else "",
    )
    return [seen, write("expect-pushes-meanwhile"), waiting_note]


def evidence_notes(effect: DrillEffect | None, coaching: Coaching) -> list[Note]:
    """What there is for a drill: its mechanism, and what the coach's own players have had of it."""
    if effect is None:
        return [write("low-evidence")]
    figures = {"held": effect.held, "players": effect.players}
    if not effect.told:
        return [write("low-evidence"), write("tried", **figures)]
    unit, degrees = coaching.units[effect.fault], coaching.to_degrees(effect.fault)
    wide = (effect.improvement_lo_deg, effect.improvement_hi_deg)
    low, high = (f"{each / degrees:.{0 if unit == 'deg' else 2}f}" for each in wide)
    improvement = size(effect.improvement_deg / degrees, unit)
    return [write("own-evidence", **figures, improvement=improvement, low=low, high=high)]


def percent(share: float) -> str:
    """``87 %``."""
    return f"{100 * share:.0f} %"


def size(value: float, unit: str) -> str:
    """An amount with its unit: degrees, or a share of the downswing."""
    return f"{value:.0f} degrees" if unit == "deg" else f"{value:.2f} of the downswing"


def count(number: int, thing: str) -> str:
    """``1 session``, ``4 sessions``."""
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def listed(words: Iterable[str]) -> str:
    """``a, b and c``."""
    *first, last = list(words) or [""]
    return f"{', '.join(first)} and {last}" if first else last
