"""The figures and words of the plan (`plan.toml`), typed and checked."""

from __future__ import annotations

from functools import lru_cache
from typing import Annotated, Final, Literal, get_args

import msgspec

from faultml.errors import CatalogueError
from faultml.rules_file import Count, InnerShare, Positive, Record, decode, load_data

State = Literal["start", "carry on", "change", "done", "waits", "returned"]
ReasonCode = Literal[
    "none-given", "not-ranked",
    "practise", "practice-unknown", "record", "gaining", "stopped-short", "undecided", "little-practice",
    "practice-not-noted", "cannot-tell", "undated",
    "no-gain", "worse", "barred",
    "seldom-shows", "check-due",
    "paused",
    "shows-again",
]  # fmt: skip

Lack = Literal["practice-unknown", "practice", "recordings", "before", "wide"]
"""What keeps the tool from telling."""

STATES: Final[tuple[State, ...]] = get_args(State)
REASONS: Final[tuple[ReasonCode, ...]] = get_args(ReasonCode)
LACKS: Final[tuple[Lack, ...]] = get_args(Lack)


class DayRules(Record, frozen=True):
    """How long after its last session a season is looked at as of today."""

    live_days: Count


class CarryOnRules(Record, frozen=True):
    """How long a drill is carried on before anything is judged."""

    practice_days: Count
    days_where_unknown: Count
    free_swings: Count
    free_sessions: Count


class ChangeRules(Record, frozen=True):
    """When a drill is changed, and when the coach decides."""

    planned_share: InnerShare
    days: Count
    gain_deg: Positive
    worse_deg: Positive
    worse_sessions: Count
    worse_swings: Count
    undecided_days: Count
    gaining_days: Count


class DoneRules(Record, frozen=True):
    """When a fault counts as done."""

    retests: Annotated[int, msgspec.Meta(ge=2)]
    days_apart: Count
    inside: Count
    of: Count


class CheckRules(Record, frozen=True):
    """How a fault that is done is followed."""

    days: Count
    share: InnerShare
    swings: Count


class Reason(Record, frozen=True):
    """What a reason says, and the state it belongs to."""

    state: State
    words: str


class JoinWords(Record, frozen=True):
    """What joins a re-test and a change that seem to disagree."""

    better_not_passed: str
    passed_not_better: str


class PlanRules(Record, frozen=True):
    """The content of `plan.toml`."""

    schema: Literal[1]
    day: DayRules
    carry_on: CarryOnRules
    change: ChangeRules
    done: DoneRules
    check: CheckRules
    reason: dict[ReasonCode, Reason]
    lack: dict[Lack, str]
    join: JoinWords


@lru_cache(maxsize=1)
def load_plan_rules() -> PlanRules:
    """The rules of the package.

    Raises
    ------
    CatalogueError
        Where they do not fit their schema, or a reason has no words.
    """
    return _checked(load_data(__package__, "plan.toml", PlanRules))


def decode_plan_rules(text: str) -> PlanRules:
    """Read the rules from TOML text; raises as `load_plan_rules`."""
    return _checked(decode(text, "plan.toml", PlanRules))


def _checked(rules: PlanRules) -> PlanRules:
    missing: list[str] = [code for code in REASONS if code not in rules.reason]
    missing += [code for code in LACKS if code not in rules.lack]
    if missing or rules.done.inside > rules.done.of:
        found = f"no words for {', '.join(missing)}" if missing else "more swings inside than there are"
        raise CatalogueError(
            "bad-rules", where="plan.toml", expected="words for every reason, inside <= of", found=found
        )
    return rules
