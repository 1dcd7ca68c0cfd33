"""May this player do this drill today, how much of it, and if not, why: the one function that says so.

Classifying, report, explanation, assignments and HTTP all ask `care_check`, with what is known now.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Final, Literal

from faultml.care.body import Pain, PainState, PlayerBody, pain_state
from faultml.care.rules import CareRules, Load, PublicReason, Question, Reason, load_care
from faultml.recordings.roster_cells import HISTORIES

Verdict = Literal["give", "show", "no"]
Level = Literal["any", "experienced"]

_STOPS: Final[dict[Pain, Reason]] = {
    "unread": "mend-roster",
    "held": "whose-row",
    "hurts": "hurts",
    "unsigned": "return-unsigned",
}
_HISTORY_REASONS: Final[dict[str, Reason]] = {
    "ulnar_history": "ulnar-history",
    "thumb_history": "thumb-history",
    "elbow_history": "elbow-history",
    "nerve_history": "nerve-history",
    "hamate_history": "hamate-history",
}
_HISTORY_QUESTIONS: Final[dict[str, Question]] = {
    "ulnar_history": "ask-ulnar-history",
    "thumb_history": "ask-thumb-history",
    "elbow_history": "ask-elbow-history",
    "nerve_history": "ask-nerve-history",
    "hamate_history": "ask-hamate-history",
}


@dataclass(frozen=True)
class Amount:
    """How much on one day: sets of so many repetitions, and how many balls of all at full speed."""

    sets: int
    reps: int
    full_speed: int

    def __str__(self) -> str:
        speed = f"at most {self.full_speed} at full speed" if self.full_speed else "none at full speed"
        return f"{self.sets} sets of {self.reps} a day, {speed}"

    @property
    def rehearsals(self) -> int:
        """All repetitions of a day."""
        return self.sets * self.reps


@dataclass(frozen=True)
class Demands:
    """What a drill asks of a player: loads, level, its dose a day, whether the club meets ground or ball, its phase."""

    loads: tuple[Load, ...]
    level: Level
    dose: Amount
    strikes: bool
    phase: str


@dataclass(frozen=True)
class CareAnswer:
    """The answer of the care check.

    Attributes
    ----------
    verdict
        ``give``: it may be given and practised. ``show``: it may be shown; until the questions are answered it
        is neither given nor practised. ``no``: neither.
    reason
        Why not, for the coach alone; "" where the verdict is not ``no``.
    ask
        What to ask first.
    dose
        How much a day; None where the verdict is ``no``.
    halved
        Whether the dose is half the drill's own because of a return to practice.
    days_to_full
        Practice days still to be confirmed until the full dose, 0 where nothing is halved.
    soft_ground
        Whether hard mats are to be kept away from: the player hits fat and the drill strikes.
    """

    verdict: Verdict
    reason: Reason | Literal[""] = ""
    ask: tuple[Question, ...] = ()
    dose: Amount | None = None
    halved: bool = False
    days_to_full: int = 0
    soft_ground: bool = False

    def public_reason(self, rules: CareRules | None = None) -> PublicReason | Literal[""]:
        """The reason as it may stand where others read: nothing of a player's health or age."""
        return (rules or load_care()).reasons[self.reason].public if self.reason else ""


def care_check(demands: Demands, body: PlayerBody, on: date, rules: CareRules | None = None) -> CareAnswer:
    """Whether a player may do a drill on a day, how much of it, and if not, why.

    Parameters
    ----------
    demands
        What the drill asks for.
    body
        Everything known about the player; `PlayerBody(player)` where that is nothing.
    on
        The day.
    rules
        The rules of care; the package's own where not given.
    """
    rules = rules or load_care()
    state = pain_state(body, on, rules)
    minor = body.is_minor(on)
    reason = _refusal(demands, body, state, minor, rules)
    if reason:
        return CareAnswer("no", reason)
    ask = _questions(demands, body, state, minor, rules)
    return CareAnswer(
        "show" if ask else "give",
        ask=ask,
        dose=allowed_dose(demands.dose, halved=state.halved, minor=minor is not False, rules=rules),
        halved=state.halved,
        days_to_full=rules.time.return_days - state.pain_free_days if state.halved else 0,
        soft_ground=body.hits_fat and demands.strikes,
    )


def care_stop(body: PlayerBody, on: date, rules: CareRules | None = None) -> Reason | Literal[""]:
    """The reason that stops every drill of a player on a day, "" where none does."""
    return _STOPS.get(pain_state(body, on, rules or load_care()).pain, "")


def allowed_dose(dose: Amount, *, halved: bool, minor: bool, rules: CareRules) -> Amount:
    """A drill's dose inside the day's caps: repetitions and balls at full speed rounded down, sets as they are.

    Caps are halved for minors; a return to practice halves the dose itself.
    """
    share = 2 if minor else 1
    parts = 2 if halved else 1
    reps = min(dose.reps // parts, rules.dose.rehearsals // share // dose.sets)
    return Amount(dose.sets, reps, min(dose.full_speed // parts, rules.dose.full_speed // share))


def _refusal(
    demands: Demands, body: PlayerBody, state: PainState, minor: bool | None, rules: CareRules
) -> Reason | Literal[""]:
    if state.pain in _STOPS:
        return _STOPS[state.pain]
    for history in HISTORIES:
        if _says(body, history) is True and set(demands.loads) & set(rules.bars.of(history)):
            return _HISTORY_REASONS[history]
    if minor and _not_for_minors(demands, rules):
        return "under-16"
    return "level-experienced" if body.experienced is False and demands.level == "experienced" else ""


def _questions(
    demands: Demands, body: PlayerBody, state: PainState, minor: bool | None, rules: CareRules
) -> tuple[Question, ...]:
    asked = state.pain != "unknown" and body.remembered
    ask: list[Question] = [] if asked else ["ask-pain"]
    if minor is None and _not_for_minors(demands, rules):
        ask.append("ask-age")
    if body.experienced is None and demands.level == "experienced":
        ask.append("ask-level")
    ask += [
        _HISTORY_QUESTIONS[history]
        for history in HISTORIES
        if _says(body, history) is None and set(demands.loads) & set(rules.bars.of(history))
    ]
    return tuple(ask)


def _not_for_minors(demands: Demands, rules: CareRules) -> bool:
    return demands.level == "experienced" or bool(set(demands.loads) & set(rules.bars.under_16))


def _says(body: PlayerBody, history: str) -> bool | None:
    return {str(name): answer for name, answer in body.histories.items()}.get(history)
