"""What a plan rests on, and what it says: typed records, dates as dates.

A session's day is the date that its name begins with. What has no date has no place in a plan.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from faultml.plan.rules import Lack, ReasonCode, State


@dataclass(frozen=True)
class DrillFacts:
    """What the plan needs to know of a drill of the book.

    Attributes
    ----------
    sets_a_day, sets_a_week
        As the dose has it.
    reps
        Rehearsals of a set.
    retest_days
        Days from a session to the re-test.
    retest_inside, retest_of
        How many of how many swings have to lie inside for a re-test to pass.
    moves_setup
        Whether the drill changes the setup itself: a moved address is then what is wanted.
    """

    sets_a_day: int
    sets_a_week: int
    reps: int
    retest_days: int
    retest_inside: int
    retest_of: int
    moves_setup: bool


@dataclass(frozen=True)
class GivenDrill:
    """A drill that was given.

    `day` is None where the store names a session without a date. `noted` is the moment of the note; of two
    drills of one day the later note counts.
    """

    drill: str
    fault: str
    day: dt.date | None
    noted: str = ""


@dataclass(frozen=True)
class PracticeDay:
    """Practice of one drill on one day, as somebody noted it."""

    drill: str
    day: dt.date
    sets: int
    balls: int | None = None


@dataclass(frozen=True)
class RecordedPractice:
    """A day with recorded swings of context ``practice``; which drill it was is not recorded."""

    day: dt.date
    swings: int


@dataclass(frozen=True)
class FreeDay:
    """A day's swings of play and re-tests as one fault reads them.

    Attributes
    ----------
    swings, inside
        Measured swings, and those inside the corridor.
    mean_deg
        Mean of the measure, degrees past the edge, + worse.
    retest_swings, retest_inside
        Those of them that are a re-test.
    """

    day: dt.date
    swings: int
    inside: int
    mean_deg: float
    retest_swings: int = 0
    retest_inside: int = 0


@dataclass(frozen=True)
class Baseline:
    """From this day on a player's angles cannot be compared with those before.

    `channel` is the channel whose address has moved, "" where all are meant (a note of the coach).
    """

    day: dt.date
    why: Literal["sensor", "grip", "address"]
    channel: str = ""


@dataclass(frozen=True)
class Hold:
    """Days on which care gives a drill no leave: from `start` up to and without `end`.

    `end` is None while it lasts, `drill` is "" where every drill is held. ``paused`` passes; ``barred`` does not.
    """

    start: dt.date
    end: dt.date | None = None
    drill: str = ""
    kind: Literal["paused", "barred"] = "paused"

    def covers(self, day: dt.date) -> bool:
        """Whether it holds on a day."""
        return self.start <= day and (self.end is None or day < self.end)


@dataclass(frozen=True)
class PlayerEvidence:
    """Everything known about one player's practice and swings, in any order.

    Attributes
    ----------
    free
        Fault -> its days without feedback.
    beside_practice
        Fault -> its days with practice, as the swings of play and re-tests on them read it.
    undated
        Whether the player has sessions without a date in their name.
    """

    given: tuple[GivenDrill, ...] = ()
    practice: tuple[PracticeDay, ...] = ()
    recorded: tuple[RecordedPractice, ...] = ()
    free: Mapping[str, tuple[FreeDay, ...]] = field(default_factory=dict)
    beside_practice: Mapping[str, tuple[FreeDay, ...]] = field(default_factory=dict)
    baselines: tuple[Baseline, ...] = ()
    holds: tuple[Hold, ...] = ()
    undated: bool = False


@dataclass(frozen=True)
class Gain:
    """How much less of the fault there is without feedback than before the drill, + better.

    Attributes
    ----------
    gain, lo, hi
        Estimate and 90 % interval, in `unit`.
    scale
        Factor to degrees.
    """

    gain: float
    lo: float
    hi: float
    unit: str
    scale: float

    @property
    def hi_deg(self) -> float:
        """The most that the gain may be, degrees."""
        return self.hi * self.scale


@dataclass(frozen=True)
class Progress:
    """What has been done and recorded since the day from which a drill is counted.

    Attributes
    ----------
    counted_from
        The day the drill was given, or the first session of a later baseline.
    days
        Days since then, those of holds left out.
    practice_days
        None where nobody noted or recorded any practice.
    sets_done, sets_planned
        Over the fullest `ChangeRules.days` days so far.
    free_swings, free_sessions
        Without feedback.
    gain
        As of the last of these sessions; None where nothing can be compared.
    """

    counted_from: dt.date
    days: int
    practice_days: int | None
    sets_done: float
    sets_planned: float
    free_swings: int
    free_sessions: int
    gain: Gain | None = None


@dataclass(frozen=True)
class Retests:
    """The re-tests that made a fault count as done."""

    first: dt.date
    last: dt.date
    swings: int
    inside: int


@dataclass(frozen=True)
class LastRetest:
    """The last re-test of a drill, and what it needed: so many swings inside of so many, on a day without practice."""

    day: dt.date
    swings: int
    inside: int
    needed: int
    of: int

    @property
    def passed(self) -> bool:
        """Whether enough swings lay inside."""
        return self.swings >= self.of and self.inside * self.of >= self.needed * self.swings


@dataclass(frozen=True)
class Check:
    """The last swings without feedback of a fault that is done."""

    swings: int
    outside: int


@dataclass(frozen=True)
class LessonPlan:
    """One player's plan on a day.

    Attributes
    ----------
    state, reason
        What is to be done, and the code of why.
    drill, fault
        What the state is about; "" where nothing was given.
    since
        First day of the state; None where days cannot be counted.
    given
        When the drill was given.
    next_check
        The day from which the next re-test, or the monthly check, is wanted.
    last_retest
        The last re-test since the day from which the drill is counted.
    lacks
        What keeps the tool from telling.
    returned
        Faults that were done and have returned, beside the one the state is about.
    finished
        Faults that are done, and have not returned.
    tried
        Drill and fault of those that were to be changed: nothing was gained, or it got worse.
    """

    state: State
    reason: ReasonCode
    drill: str = ""
    fault: str = ""
    since: dt.date | None = None
    given: dt.date | None = None
    next_check: dt.date | None = None
    progress: Progress | None = None
    retests: Retests | None = None
    check: Check | None = None
    last_retest: LastRetest | None = None
    lacks: tuple[Lack, ...] = ()
    returned: tuple[str, ...] = ()
    finished: tuple[str, ...] = ()
    tried: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class PracticeNote:
    """Practice of one drill on one day: `day` is an ISO date, `balls` None where nobody counted them."""

    player: str
    drill: str
    day: str
    sets: int
    balls: int | None = None


@dataclass(frozen=True)
class BaselineNote:
    """From `day` (an ISO date) on the sensor sits elsewhere, or the grip is another."""

    player: str
    day: str
    why: Literal["sensor", "grip"]
