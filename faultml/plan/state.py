"""The state of a plan on a day, and since when: a pure function of the evidence up to that day."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from faultml.plan.clock import ONE_DAY, Clock
from faultml.plan.progress import Course, event_days, last_swings
from faultml.plan.records import (
    Check,
    DrillFacts,
    Gain,
    GivenDrill,
    LessonPlan,
    PlayerEvidence,
    Progress,
    Retests,
)
from faultml.plan.rules import Lack, PlanRules, ReasonCode

Gains = Mapping[tuple[str, dt.date, dt.date], Gain]
"""(fault, day from which the drill is counted, day) -> the gain as it was known on that day: after a session of the
player's, or on the last day asked for."""


@dataclass(frozen=True)
class _Day:
    """What holds of one drill on a day."""

    reason: ReasonCode
    progress: Progress | None = None
    retests: Retests | None = None
    check: Check | None = None
    lacks: tuple[Lack, ...] = ()
    next_check: dt.date | None = None


@dataclass(frozen=True)
class _Stretch:
    """A drill's last run of days in one state, as of the day it was asked for."""

    course: Course
    since: dt.date
    now: _Day
    done_on: dt.date | None


def plan_on(
    evidence: PlayerEvidence,
    day: dt.date,
    *,
    facts: Mapping[str, DrillFacts],
    channels: Mapping[str, str],
    gains: Gains,
    rules: PlanRules,
) -> LessonPlan:
    """One player's plan on a day. Evidence of later days is not looked at, and its order does not matter.

    Parameters
    ----------
    facts
        Of every drill of the book.
    channels
        Fault -> the channel it is read from.
    gains
        From `faultml.plan.gains.season_gains`; a session without an entry has nothing to be compared with.
    """
    stretches = [
        _stretch(course, min(day, course.end - ONE_DAY) if course.end else day, gains, rules)
        for course in courses(evidence, day, facts=facts, channels=channels, rules=rules)
    ]
    if not stretches:
        return _nothing_given(evidence, day)
    followed = _followed_up(stretches, day, gains, rules)
    returned = {fault: each for fault, each in followed.items() if each.now.reason == "shows-again"}
    latest = followed.get(stretches[-1].course.fault, stretches[-1])
    if returned and rules.reason[latest.now.reason].state in ("done", "returned"):
        latest = max(returned.values(), key=lambda each: (each.since, each.course.fault))
    changed = [each for each in stretches if rules.reason[each.now.reason].state == "change"]
    return replace(
        _lesson(latest, day, rules),
        returned=tuple(sorted(set(returned) - {latest.course.fault})),
        finished=tuple(sorted(set(followed) - set(returned))),
        tried=tuple(sorted({(each.course.drill, each.course.fault) for each in changed})),
    )


def courses(
    evidence: PlayerEvidence,
    day: dt.date,
    *,
    facts: Mapping[str, DrillFacts],
    channels: Mapping[str, str],
    rules: PlanRules,
) -> list[Course]:
    """The drills a player was on up to a day, one after the other: each ends on the day the next one begins.

    The same drill given again for the same fault goes on, unless the fault was done by then. Of several drills of one
    day the one noted last counts. A drill that is not in the book, and a fault that cannot be followed, are left out.
    """
    found: list[Course] = []
    known = [each for each in evidence.given if each.drill in facts and each.fault in channels]
    for given in _one_a_day(known, day):
        if found and (found[-1].drill, found[-1].fault) == (given.drill, given.fault):
            before = _stretch(found[-1], given.day - ONE_DAY, {}, rules)  # no gain makes a fault done
            if before.done_on is None:
                continue
        if found:
            found[-1] = replace(found[-1], end=given.day)
        found.append(
            Course(
                drill=given.drill,
                fault=given.fault,
                given=given.day,
                end=None,
                channel=channels[given.fault],
                facts=facts[given.drill],
                evidence=evidence,
            )
        )
    return found


@dataclass(frozen=True)
class _Given:
    drill: str
    fault: str
    day: dt.date


def _one_a_day(given: Iterable[GivenDrill], last: dt.date) -> list[_Given]:
    """The drill of each day on which one was given, in order."""
    of_day: dict[dt.date, GivenDrill] = {}
    for each in sorted(given, key=lambda each: (each.noted, each.drill, each.fault)):
        if each.day is not None and each.day <= last:
            of_day[each.day] = each
    return [_Given(each.drill, each.fault, day) for day, each in sorted(of_day.items())]


def _nothing_given(evidence: PlayerEvidence, day: dt.date) -> LessonPlan:
    clock = Clock.of("", evidence.holds)
    if clock.hold_on(day) is not None:
        return LessonPlan(state="waits", reason="paused", since=clock.held_since(day))
    undated = [each for each in evidence.given if each.day is None]
    if undated:
        last = max(undated, key=lambda each: (each.noted, each.drill, each.fault))
        return LessonPlan(state="carry on", reason="undated", drill=last.drill, fault=last.fault)
    return LessonPlan(state="start", reason="none-given")


def _stretch(course: Course, last: dt.date, gains: Gains, rules: PlanRules) -> _Stretch:
    """Walk one drill's days up to `last`: done and returned stay, everything else is judged anew."""
    since, state = course.given, ""
    done_on: dt.date | None = None
    now = done = _Day("practise")
    for day in event_days(course, last, rules):
        if done_on is None:
            now = _judge(course, day, gains, rules)
            if now.reason == "seldom-shows":
                done_on, done = day, now
        else:
            now = _followed(course, done_on, done, day, rules)
        if rules.reason[now.reason].state != state:
            since, state = day, rules.reason[now.reason].state
        if state == "returned":
            break
    return _Stretch(course, since, now, done_on)


def _followed_up(
    stretches: list[_Stretch], day: dt.date, gains: Gains, rules: PlanRules
) -> dict[str, _Stretch]:
    """Faults that were done, each followed to the day, unless a later drill was given for them."""
    found = {}
    for place, each in enumerate(stretches):
        later = {other.course.fault for other in stretches[place + 1 :]}
        if each.done_on is not None and each.course.fault not in later:
            found[each.course.fault] = _stretch(replace(each.course, end=None), day, gains, rules)
    return found


def _judge(course: Course, day: dt.date, gains: Gains, rules: PlanRules) -> _Day:
    """A drill that is not done: the first rule that holds on the day."""
    start = course.counted_from(day)
    free = course.free_since(start, day)
    after = gains.get((course.fault, start, free[-1].day)) if free else None
    gain = gains.get((course.fault, start, day), after) if free else None
    progress = course.progress(day, gain, rules)
    wanted = _next_retest(course, progress, day, rules)
    hold = course.clock.hold_on(day)
    if hold is not None:
        return _Day("paused" if hold.kind == "paused" else "barred", progress)
    retests = course.done(day, rules.done)
    if retests is not None:
        return _Day("seldom-shows", progress, retests, next_check=day + rules.check.days * ONE_DAY)
    if course.worse(day, rules):
        return _Day("worse", progress)
    if _no_gain(progress, rules) and _ripe(progress, rules) and _practised(progress, rules):
        return _Day("no-gain", progress)
    if _recorded(progress, rules) and gain is not None and gain.lo > 0:
        last = last_swings(free, rules.check.swings)
        short = last is not None and last.outside > rules.check.share * last.swings
        if short and progress.days >= rules.change.gaining_days:
            return _Day("stopped-short", progress, check=last, next_check=wanted)
        return _Day("gaining", progress, next_check=wanted)
    if course.evidence.undated and not free:
        return _Day("undated", progress)
    if progress.days >= rules.change.undecided_days:
        return _Day("cannot-tell", progress, lacks=_lacks(progress, rules), next_check=wanted)
    return _Day(_waiting_for(progress, rules), progress, next_check=wanted)


def may_change(course: Course, day: dt.date, rules: PlanRules) -> bool:
    """Whether the gain decides on a day: before, the drill is carried on whatever it is."""
    progress = course.progress(day, None, rules)
    return _ripe(progress, rules) and _practised(progress, rules)


def _waiting_for(progress: Progress, rules: PlanRules) -> ReasonCode:
    """Why a drill is carried on before anything can be said."""
    if not _practised_days(progress, rules):
        return "practice-unknown" if progress.practice_days is None else "practise"
    if not _recorded(progress, rules):
        return "record"
    if not _no_gain(progress, rules) or progress.days < rules.change.days:
        return "undecided"
    return "practice-not-noted" if progress.practice_days is None else "little-practice"


def _practised_days(progress: Progress, rules: PlanRules) -> bool:
    carry = rules.carry_on
    if progress.practice_days is None:  # unknown is not none
        return progress.days >= carry.days_where_unknown
    return progress.practice_days >= carry.practice_days


def _recorded(progress: Progress, rules: PlanRules) -> bool:
    carry = rules.carry_on
    return progress.free_swings >= carry.free_swings and progress.free_sessions >= carry.free_sessions


def _ripe(progress: Progress, rules: PlanRules) -> bool:
    """Whether enough was practised and recorded to judge at all."""
    return _practised_days(progress, rules) and _recorded(progress, rules)


def _practised(progress: Progress, rules: PlanRules) -> bool:
    """Whether the drill was tried as planned; where nobody noted practice no sets are known, and it was not."""
    enough = progress.sets_done >= rules.change.planned_share * progress.sets_planned
    return progress.days >= rules.change.days and enough


def _no_gain(progress: Progress, rules: PlanRules) -> bool:
    return progress.gain is not None and progress.gain.hi_deg < rules.change.gain_deg


def _lacks(progress: Progress, rules: PlanRules) -> tuple[Lack, ...]:
    """Everything that keeps the tool from telling, in the order in which it is mended."""
    missing: dict[Lack, bool] = {
        "practice-unknown": progress.practice_days is None,
        "practice": progress.practice_days is not None
        and not (_practised(progress, rules) and _practised_days(progress, rules)),
        "recordings": not _recorded(progress, rules),
        "before": _recorded(progress, rules) and progress.gain is None,
        "wide": progress.gain is not None and not _no_gain(progress, rules),
    }
    return tuple(code for code, lacking in missing.items() if lacking)


def _next_retest(course: Course, progress: Progress, day: dt.date, rules: PlanRules) -> dt.date | None:
    """When the next re-test is wanted: after the last one so long that both together may do, else as the drill says."""
    free = course.free_since(progress.counted_from, day)
    tests = [each.day for each in free if each.retest_swings]
    if tests:
        return tests[-1] + rules.done.days_apart * ONE_DAY
    start = free[-1].day if free else progress.counted_from
    return course.clock.day_after(start, course.facts.retest_days)


def _followed(course: Course, done_on: dt.date, done: _Day, day: dt.date, rules: PlanRules) -> _Day:
    """A fault that is done, on a later day."""
    check = course.check(done_on, day, rules.check)
    if check is not None and check.outside > rules.check.share * check.swings:
        return replace(done, reason="shows-again", check=check, next_check=None)
    seen = [each.day for each in course.free_since(done_on, day)]
    due = max(seen, default=done_on) + rules.check.days * ONE_DAY
    return replace(done, reason="check-due" if day >= due else "seldom-shows", check=check, next_check=due)


def _lesson(stretch: _Stretch, day: dt.date, rules: PlanRules) -> LessonPlan:
    course, now = stretch.course, stretch.now
    state = rules.reason[now.reason].state
    plan = LessonPlan(
        state=state,
        reason=now.reason,
        drill=course.drill,
        fault=course.fault,
        since=stretch.since,
        given=course.given,
        next_check=now.next_check,
        progress=now.progress,
        retests=now.retests,
        check=now.check,
        last_retest=course.last_retest(day),
        lacks=now.lacks,
    )
    everything = Clock.of("", course.evidence.holds)
    if state == "returned" and everything.hold_on(day) is not None:  # nothing may be begun meanwhile
        return replace(
            plan, state="waits", reason="paused", since=everything.held_since(day), next_check=None
        )
    return plan
