"""What has been practised and recorded since a drill was given, as of a day: nothing later is looked at."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from faultml.plan.clock import ONE_DAY, Clock
from faultml.plan.records import (
    Baseline,
    Check,
    DrillFacts,
    FreeDay,
    Gain,
    LastRetest,
    PlayerEvidence,
    Progress,
    Retests,
)
from faultml.plan.rules import CheckRules, DoneRules, PlanRules


@dataclass(frozen=True)
class Course:
    """One drill from the day it was given, before the next one.

    Attributes
    ----------
    drill, fault, given
        What was given when.
    end
        The day the next drill was given; None where there is none.
    channel
        The channel that the fault is read from.
    facts
        Of the drill.
    evidence
        Of the player.
    """

    drill: str
    fault: str
    given: dt.date
    end: dt.date | None
    channel: str
    facts: DrillFacts
    evidence: PlayerEvidence

    @cached_property
    def clock(self) -> Clock:
        """Counts the days."""
        return Clock.of(self.drill, self.evidence.holds)

    @cached_property
    def free(self) -> tuple[FreeDay, ...]:
        """The fault's days without feedback, in order."""
        return tuple(sorted(self.evidence.free.get(self.fault, ()), key=lambda each: each.day))

    @cached_property
    def baselines(self) -> tuple[Baseline, ...]:
        """Those that concern this fault, in order: a drill of the setup is meant to move the address."""
        mine = [
            each
            for each in self.evidence.baselines
            if not each.channel or (each.channel == self.channel and not self.facts.moves_setup)
        ]
        return tuple(sorted(mine, key=lambda each: each.day))

    def comparable_from(self, day: dt.date) -> dt.date:
        """The first day whose angles can be compared with those of `day`."""
        return max((each.day for each in self.baselines if each.day <= day), default=dt.date.min)

    def counted_from(self, day: dt.date) -> dt.date:
        """The day from which the drill is counted, as of `day`: that it was given, or a later baseline.

        A baseline is what the first session after the move shows: that session is the new "before".
        """
        start = self.comparable_from(day)
        if start <= self.given:
            return self.given
        sessions = (each.day for each in self.free if start <= each.day <= day)
        return min(sessions, default=start)

    def free_since(self, start: dt.date, day: dt.date) -> list[FreeDay]:
        """Days without feedback later than `start`, up to `day`, that can be compared with it."""
        first = self.comparable_from(day)
        return [each for each in self.free if start < each.day <= day and each.day >= first]

    def practised(self, day: dt.date) -> dict[dt.date, float]:
        """Sets of each practice day from the day counted from, up to `day`. Held days do not count.

        Recorded practice has no sets: so many as its swings make up, not more than a day's dose.
        """
        start, facts = self.counted_from(day), self.facts
        sets: dict[dt.date, float] = {}
        for recorded in self.evidence.recorded:
            if recorded.swings:
                done = min(recorded.swings / facts.reps, float(facts.sets_a_day))
                sets[recorded.day] = max(sets.get(recorded.day, 0.0), done)
        for noted in self.evidence.practice:
            if noted.drill == self.drill:
                sets[noted.day] = max(sets.get(noted.day, 0.0), float(noted.sets))
        return {
            when: sets[when]
            for when in sorted(sets)
            if start <= when <= day and self.clock.hold_on(when) is None
        }

    def progress(self, day: dt.date, gain: Gain | None, rules: PlanRules) -> Progress:
        """Everything counted up to `day`; `gain` as of the last session."""
        start = self.counted_from(day)
        sets, free = self.practised(day), self.free_since(start, day)
        measured = [each for each in free if each.swings]
        return Progress(
            counted_from=start,
            days=self.clock.days(start, day),
            practice_days=len(sets) if sets else None,
            sets_done=self._fullest(sets, start, day, rules.change.days),
            sets_planned=self.facts.sets_a_week * rules.change.days / 7,
            free_swings=sum(each.swings for each in measured),
            free_sessions=len(measured),
            gain=gain,
        )

    def _fullest(self, sets: dict[dt.date, float], start: dt.date, day: dt.date, span: int) -> float:
        """Sets of the fullest span of so many counted days; of those so far while the first span lasts."""
        at = [self.clock.days(start, when) for when in sets]
        done = list(sets.values())
        # A full span ends on a practice day, or is the first one; the first day counts as day 0.
        first = min(self.clock.days(start, day), span - 1)
        best = sum(amount for place, amount in zip(at, done, strict=True) if place <= first)
        begin, total = 0, 0.0
        for place, amount in zip(at, done, strict=True):
            total += amount
            while at[begin] <= place - span:
                total -= done[begin]
                begin += 1
            if place >= span - 1:
                best = max(best, total)
        return best

    def before(self, day: dt.date) -> list[FreeDay]:
        """Days before the drill as of `day`: those without feedback, and the day it was given.

        That day also where it holds practice, as in `faultml.outcomes.periods.rows_for`.
        """
        start, first = self.counted_from(day), self.comparable_from(day)
        that_day = [each for each in self.evidence.beside_practice.get(self.fault, ()) if each.day == start]
        return [each for each in (*self.free, *that_day) if first <= each.day <= start]

    def worse(self, day: dt.date, rules: PlanRules) -> bool:
        """Whether each of the last sessions was worse than before, by as much as the rules say."""
        start, change = self.counted_from(day), rules.change
        before = self.before(day)
        swings = sum(each.swings for each in before)
        last = [each for each in self.free_since(start, day) if each.swings >= change.worse_swings]
        last = last[-change.worse_sessions :]
        if swings < change.worse_swings or len(last) < change.worse_sessions:
            return False
        mean_deg = sum(each.swings * each.mean_deg for each in before if each.swings) / swings
        return all(each.mean_deg - mean_deg >= change.worse_deg for each in last)

    def retests(self, day: dt.date) -> list[FreeDay]:
        """Days with a re-test since the day counted from, up to `day`. One on which practice is noted is none."""
        practised = {each.day for each in self.evidence.practice}
        days = self.free_since(self.counted_from(day), day)
        return [each for each in days if each.retest_swings and each.day not in practised]

    def last_retest(self, day: dt.date) -> LastRetest | None:
        """The last of them."""
        tests, facts = self.retests(day), self.facts
        if not tests:
            return None
        last = tests[-1]
        return LastRetest(
            last.day, last.retest_swings, last.retest_inside, facts.retest_inside, facts.retest_of
        )

    def done(self, day: dt.date, rules: DoneRules) -> Retests | None:
        """The re-tests that make the fault done on a day, None where they do not.

        From the last re-test back to the latest that lies far enough before it, those between included: none is
        passed over.
        """
        tests = self.retests(day)
        if not tests:
            return None
        last = tests[-1].day
        far = [each.day for each in tests if (last - each.day).days >= rules.days_apart]
        if not far:
            return None
        used = [each for each in tests if each.day >= far[-1]]
        swings = sum(each.retest_swings for each in used)
        inside = sum(each.retest_inside for each in used)
        if len(used) < rules.retests or swings < rules.of or inside * rules.of < rules.inside * swings:
            return None
        return Retests(first=far[-1], last=last, swings=swings, inside=inside)

    def check(self, done_on: dt.date, day: dt.date, rules: CheckRules) -> Check | None:
        """The last swings without feedback since a fault was done; None where there are too few."""
        return last_swings(self.free_since(done_on, day), rules.swings)


def last_swings(days: Sequence[FreeDay], swings: int) -> Check | None:
    """The fewest last days that hold so many swings."""
    total = outside = 0
    for each in reversed(days):
        total += each.swings
        outside += each.swings - each.inside
        if total >= swings:
            return Check(swings=total, outside=outside)
    return None


def event_days(course: Course, last: dt.date, rules: PlanRules) -> list[dt.date]:
    """Every day from the one the drill was given to `last` on which its state can change, in order."""
    evidence, clock = course.evidence, course.clock
    days = {course.given, last}
    days.update(each.day for each in evidence.practice)
    days.update(each.day for each in evidence.recorded)
    days.update(each.day for each in course.free)
    days.update(each.day for each in course.baselines)
    days.update(hold.start for hold in clock.holds)
    days.update(hold.end for hold in clock.holds if hold.end is not None)
    starts = {course.counted_from(day) for day in days if course.given <= day <= last}
    spans = (
        rules.carry_on.days_where_unknown,
        rules.change.days,
        rules.change.undecided_days,
        rules.change.gaining_days,
    )
    days.update(end for start in starts for span in spans if (end := clock.day_after(start, span)))
    days.update(each.day + rules.check.days * ONE_DAY for each in course.free)
    return sorted(day for day in days if course.given <= day <= last)
