"""Who may do which drill: pain, history and age come before every other rule.

The rules are data (`care.toml`). Nothing unknown is read as "no": unknown pain asks for the question first,
an unknown age counts as under 16, and an absent roster row is unknown everywhere.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, Final, Literal

import numpy as np
import pandas as pd

from faultml.coaching.data import Record, load_data
from faultml.errors import InputError

Load = Literal[
    "lag", "impact", "forced_roll", "ulnar_side", "hinge", "flexion_with_ulnar", "unhinging", "weighted"
]
Pain = Literal["hurts", "unread", "unknown", "none", "cleared"]

SEE_CLINICIAN = "see-clinician"
MEND_ROSTER = "mend-roster"
STOPS: Final[Mapping[Pain, str]] = {"hurts": SEE_CLINICIAN, "unread": MEND_ROSTER}
"""What is known about pain that stops every drill, and the code of the reason."""


class Limits(Record, frozen=True):
    """Absolute angles, degrees, that no practice window leaves, and the stretch of full hinge.

    `radial` is the limit toward the thumb side for a player whose own hinge is not known or smaller; a player's own
    hinge replaces it up to `radial_max_deg`. `hinge_reach_deg`, relative to the setup, is the largest hinge that a
    drill may ask for.
    """

    flexion: float
    extension: float
    radial: float
    radial_max_deg: float
    hinge_reach_deg: float
    ulnar: float
    flexion_at_hinge: float
    hinge_from: str
    hinge_to: str
    least_width: float


class Setup(Record, frozen=True):
    """Wrist angles at address, degrees, anatomical signs."""

    flexion_deg: float
    ulnar_deg: float
    pronation_deg: float


class DoseCap(Record, frozen=True):
    """The most rehearsals a day to start with, and how many of them at full speed."""

    rehearsals: int
    full_speed: int


class Bars(Record, frozen=True):
    """The loads that each history, or age, rules out."""

    ulnar_history: tuple[Load, ...]
    thumb_history: tuple[Load, ...]
    under_16: tuple[Load, ...]


class Words(Record, frozen=True):
    """How the roster's text cells are read, and what a drill's text may and must say."""

    cleared: tuple[str, ...]
    none: tuple[str, ...]
    unread: tuple[str, ...]
    no: tuple[str, ...]
    beginner: tuple[str, ...]
    never_in_cues: tuple[str, ...]
    stop: str


class CareRules(Record, frozen=True):
    """The content of `care.toml`."""

    schema: Literal[1]
    limits: Limits
    reference_setup: Setup
    dose: DoseCap
    bars: Bars
    words: Words


@dataclass(frozen=True)
class PlayerCare:
    """What one player's roster row allows.

    Attributes
    ----------
    pain
        ``hurts`` stops every drill, as does ``unread``: the roster is there but cannot be read.
        ``unknown`` asks first; ``none`` and ``cleared`` let drills through.
    said
        The roster's own words about pain, as written.
    barred
        Loads ruled out, each with the code of the reason.
    unasked
        Loads a history would rule out if there were one, for histories nobody has asked about.
    beginner, hits_fat
        As the roster says.
    """

    pain: Pain
    said: str = ""
    barred: Mapping[Load, str] = field(default_factory=dict)
    unasked: frozenset[Load] = frozenset()
    beginner: bool = False
    hits_fat: bool = False

    def refusal(self, loads: tuple[Load, ...], level: str) -> str:
        """Code of what keeps a drill with these loads and level from the player, "" where nothing does."""
        if self.pain in STOPS:
            return STOPS[self.pain]
        reasons = [self.barred[load] for load in loads if load in self.barred]
        if not reasons and self.beginner and level == "experienced":
            reasons = ["level-experienced"]
        return reasons[0] if reasons else ""


@lru_cache(maxsize=1)
def load_care() -> CareRules:
    """The care rules of the package."""
    return load_data("care.toml", CareRules)


def care_of(row: Mapping[str, Any] | None, rules: CareRules) -> PlayerCare:
    """What a player's roster row allows; no row at all is unknown everywhere."""
    row = row or {}
    words = rules.words
    answers = {name: _answer(row.get(name), words) for name in ("ulnar_history", "thumb_history", "under_16")}
    barred: dict[Load, str] = {}
    unasked: set[Load] = set()
    for name, loads in (
        ("ulnar_history", rules.bars.ulnar_history),
        ("thumb_history", rules.bars.thumb_history),
    ):
        if answers[name]:
            barred.update(dict.fromkeys(loads, name.replace("_", "-")))
        elif answers[name] is None:
            unasked.update(loads)
    if answers["under_16"] is not False:
        reason = "under-16" if answers["under_16"] else "age-unknown"
        barred.update({load: reason for load in rules.bars.under_16 if load not in barred})
    pain, said = _pain(row.get("pain"), words)
    return PlayerCare(
        pain=pain,
        said=said,
        barred=barred,
        unasked=frozenset(unasked - set(barred)),
        beginner=cell_text(row.get("level")).casefold() in words.beginner,
        hits_fat="fat" in cell_text(row.get("usual_miss")).casefold().replace(",", " ").split(),
    )


def roster_rows(roster: pd.DataFrame | None) -> dict[str, dict[str, Any]]:
    """The roster as one mapping a player; of repeated rows, what was said last in each column holds.

    Pain is the exception: once something hurts, only a clearance ends it, so a later "none" or blank does
    not.

    Raises
    ------
    InputError
        Where the roster has no `player` column.
    """
    if roster is None:
        return {}
    if "player" not in roster.columns:
        raise InputError(
            "missing-column",
            where="roster",
            expected="a column 'player'",
            found=", ".join(map(str, roster.columns)),
        )
    words = load_care().words
    rows: dict[str, dict[str, Any]] = {}
    for record in roster.to_dict("records"):
        row = rows.setdefault(str(record["player"]), {})
        hurts = _pain(row.get("pain"), words)[0] in STOPS
        for name, value in record.items():
            if not cell_text(value) or (name == "pain" and hurts and _pain(value, words)[0] == "none"):
                continue
            row[str(name)] = value
    return rows


def cell_text(value: object) -> str:
    """A cell as text, "" where nothing stands in it."""
    if value is None or (pd.api.types.is_scalar(value) and pd.isna(value)):
        return ""
    return str(value).strip()


def _pain(value: object, words: Words) -> tuple[Pain, str]:
    said = cell_text(value)
    if not said:
        return "unknown", ""
    if said.casefold() in words.cleared:
        return "cleared", said
    if said.casefold() in words.none:
        return "none", said
    if said.casefold() in words.unread:
        return "unread", said
    return "hurts", said


def _answer(value: object, words: Words) -> bool | None:
    """Yes, no or not said; any other text describes something, and that is a yes."""
    said = cell_text(value).casefold()
    if not said:
        return None
    if isinstance(value, (bool, int, float, np.bool_, np.number)):
        return bool(value)
    return said not in words.no
