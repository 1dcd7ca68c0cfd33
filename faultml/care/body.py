"""What is known of one player's body: dated statements about pain, histories, age, level."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import Final, Literal

from faultml.care.rules import CareRules, is_name

History = Literal["ulnar_history", "thumb_history", "elbow_history", "nerve_history", "hamate_history"]
SaidKind = Literal["hurts", "none", "practised", "return"]
Pain = Literal["unread", "held", "hurts", "unsigned", "unknown", "none"]

JUST_NOW: Final = datetime.max.replace(tzinfo=UTC)
"""Stands for the moment of what no store has recorded: later than everything that one has."""

_ADULT_YEARS: Final = 17
"""Years since the year of birth from which a player is 16 on every day of the year."""


@dataclass(frozen=True)
class Said:
    """One thing said about pain.

    Attributes
    ----------
    on
        The day it holds for.
    kind
        ``hurts``; ``none``, asked, and nothing hurts; ``practised``, a day of practice without pain; ``return``
        to practice.
    where
        The words, such as where it hurts.
    red_flag
        Whether pain of this kind needs a clinician's advice.
    by, role, advice, guardian
        Who recorded it and as what; of a return, on whose advice, and the guardian of a minor.
    recorded_at
        When it was recorded, UTC; None where that is only now: after everything that has a time.
    """

    on: date
    kind: SaidKind
    where: str = ""
    red_flag: bool = False
    by: str = ""
    role: str = ""
    advice: str = ""
    guardian: str = ""
    recorded_at: datetime | None = None

    @property
    def order(self) -> datetime:
        """What the order of recording goes by."""
        return self.recorded_at or JUST_NOW


@dataclass(frozen=True)
class PlayerBody:
    """What is known of one player.

    Attributes
    ----------
    said
        Everything said about pain, in any order.
    unread
        Whether the roster, or the player's row of it, could not be read.
    held_for
        Names of roster rows about pain that fit nobody recorded and may mean this player.
    remembered
        Whether a store was read: without one nothing that was said before is known, and somebody has to ask.
    histories
        Column of the roster -> yes, no; unknown where it is not there.
    birth_year
        None where unknown.
    under_16
        What the roster's older column says, None where unknown.
    experienced
        Whether the player is experienced; None where no word of the closed list says so or denies it.
    hits_fat
        As the roster says.
    """

    player: str
    said: tuple[Said, ...] = ()
    unread: bool = False
    held_for: tuple[str, ...] = ()
    remembered: bool = True
    histories: Mapping[History, bool] = field(default_factory=dict)
    birth_year: int | None = None
    under_16: bool | None = None
    experienced: bool | None = None
    hits_fat: bool = False

    def is_minor(self, on: date) -> bool | None:
        """Whether the player is under 16 on a day; None where that is not known.

        A year of birth leaves the birthday open: until it is past for sure, the player counts as under 16. Where
        column and year disagree the younger answer holds.
        """
        if self.birth_year is None:
            return self.under_16
        return self.under_16 is True or on.year - self.birth_year < _ADULT_YEARS


@dataclass(frozen=True)
class PainState:
    """What is known about pain on a day.

    Attributes
    ----------
    pain
        ``unread``, ``held``, ``hurts`` and ``unsigned`` (a return that lacks what it needs) stop every drill;
        ``unknown``: nobody has asked of late; ``none``.
    since
        The day from which it is so; None where nothing was said.
    halved
        Whether a return to practice is so recent that doses are halved.
    pain_free_days
        Days of practice without pain that count toward the full dose.
    lacks
        What an unsigned return lacks: ``name``, ``clinician``, ``guardian``.
    """

    pain: Pain
    since: date | None = None
    halved: bool = False
    pain_free_days: int = 0
    lacks: tuple[str, ...] = ()


def pain_day(pain: Said, said: Iterable[Said]) -> date:
    """The day of pain, which only a return on a later day lifts: no earlier than any return recorded before it.

    Whatever day is stated, a return lifts nothing that nobody had recorded.
    """
    returns = (each.on for each in said if each.kind == "return" and each.order < pain.order)
    return max((pain.on, *returns))


def pain_state(body: PlayerBody, on: date, rules: CareRules) -> PainState:
    """What holds about pain on a day. On the same day pain wins; only a return on a later day lifts it."""
    if body.unread:
        return PainState("unread")
    if body.held_for:
        return PainState("held")
    open_pains: list[Said] = []
    unsigned: tuple[date, tuple[str, ...]] | None = None
    returned: date | None = None
    asked: date | None = None
    practised: dict[date, date] = {}
    # A day of recording counts for one day of practice: a run of them is not made up at once.
    # Sorted so that pain comes last on its day: what was said the same day does not lift it.
    days = [(pain_day(each, body.said) if each.kind == "hurts" else each.on, each) for each in body.said]
    for _, each in sorted(days, key=lambda dated: (dated[0], dated[1].kind == "hurts")):
        if each.kind == "hurts":
            # It counts whatever its date: one that lies ahead is a mistake in writing, and no reason to go on.
            open_pains.append(each)
            returned = asked = unsigned = None
            practised.clear()
        elif each.on > on:
            continue
        elif each.kind == "return":
            lacks = _lacks(each, open_pains, body, on, rules)
            if not lacks:
                returned, asked, unsigned = returned or each.on, each.on, None
                open_pains.clear()
            elif returned is None:
                unsigned = (each.on, lacks)
        elif not open_pains:
            asked = each.on
            if each.kind == "practised" and returned is not None and each.on > returned:
                practised[each.recorded_at.date() if each.recorded_at else each.on] = each.on
    if unsigned is not None:
        return PainState("unsigned", unsigned[0], lacks=unsigned[1])
    if open_pains:
        return PainState("hurts", open_pains[-1].on)
    run = _longest_run(sorted(set(practised.values())), rules.time.return_within_days)
    known = asked is not None and on - asked < timedelta(days=rules.time.none_days)
    halved = returned is not None and run < rules.time.return_days
    return PainState("none" if known else "unknown", asked, halved, run)


def _lacks(
    said: Said, pains: Iterable[Said], body: PlayerBody, on: date, rules: CareRules
) -> tuple[str, ...]:
    """What a return lacks, given the pains it is to lift."""
    lacks = {
        "name": not is_name(said.by),
        "clinician": any(each.red_flag for each in pains) and not rules.is_clinician(said.advice),
        "guardian": body.is_minor(on) is True and not is_name(said.guardian),
    }
    return tuple(name for name, missing in lacks.items() if missing)


def _longest_run(days: list[date], within_days: int) -> int:
    """The most of the days that lie within so many days of each other, the first and last counted."""
    within = timedelta(days=within_days)
    return max((sum(1 for other in days if timedelta(0) <= other - day < within) for day in days), default=0)
