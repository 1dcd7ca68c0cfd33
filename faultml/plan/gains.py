"""How much less of a fault there is since its drill was given, as it was known after each session and on the last day.

`faultml.outcomes.change.changes` says it, from the sessions up to that day alone: what was recorded later cannot change
what was known. The other players of the season are the ones it compares with. On the last day it is the change that
``outcomes`` shows of the same sessions.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from faultml.faults.catalogue import Catalogue
from faultml.outcomes.change import changes
from faultml.outcomes.periods import SUM_COLUMNS, to_degrees
from faultml.plan.clock import ONE_DAY
from faultml.plan.progress import Course, event_days
from faultml.plan.records import Gain
from faultml.plan.rules import PlanRules
from faultml.plan.state import Gains, may_change
from faultml.results.sessions import session_date


@dataclass(frozen=True)
class _Wanted:
    """A gain to be read: of whose course, from the sessions up to which day, and the player's last of them."""

    player: str
    course: Course
    day: dt.date
    session: dt.date

    @property
    def start(self) -> dt.date:
        """The day from which the drill is counted."""
        return self.course.counted_from(self.day)


def season_gains(
    sums: pd.DataFrame,
    courses: Mapping[str, Sequence[Course]],
    catalogue: Catalogue,
    last: dt.date,
    rules: PlanRules,
    known: Mapping[str, Gains] | None = None,
) -> dict[str, Gains]:
    """The gains on which a plan can depend, by player.

    Parameters
    ----------
    sums
        The season's sums (`SUM_COLUMNS`) of all players. Sessions without a date are left out.
    courses
        Player -> the drills the player was on, from `faultml.plan.state.courses`.
    last
        Sessions later than this day are left out.
    known
        What an earlier call has read, for an earlier day: what was known after a session is not read again.
    """
    found = {player: _after_sessions((known or {}).get(player, {}), own) for player, own in courses.items()}
    wanted = [
        each
        for player, own in courses.items()
        for course in own
        for each in _wanted(player, course, last, rules)
        if (course.fault, each.start, each.day) not in found[player]
    ]
    if not wanted:
        return dict(found)
    dated = _dated(sums, {each.course.fault for each in wanted}, last)
    for day in sorted({each.day for each in wanted}):
        asked = []
        for each in (each for each in wanted if each.day == day):
            before = found[each.player].get((each.course.fault, each.start, each.session))
            if before is not None and not _news(each, dated, courses):
                found[each.player][each.course.fault, each.start, day] = before
            else:
                asked.append(each)
        if not asked:
            continue
        for each, gain in _read(dated[dated["day"] <= day], courses, asked, catalogue):
            found[each.player][each.course.fault, each.start, day] = gain
    return dict(found)


def _after_sessions(known: Gains, own: Sequence[Course]) -> dict[tuple[str, dt.date, dt.date], Gain]:
    """Of what is known, what was known after one of the player's sessions: it holds for later days too."""
    sessions = {(course.fault, each.day) for course in own for each in course.free}
    return {key: gain for key, gain in known.items() if (key[0], key[2]) in sessions}


def _wanted(player: str, course: Course, last: dt.date, rules: PlanRules) -> Iterator[_Wanted]:
    """The last session up to each day on which the gain decides, and the last day, which tells of it."""
    end = last if course.end is None else min(last, course.end - ONE_DAY)
    seen = set()
    for day in event_days(course, end, rules):
        free = course.free_since(course.counted_from(day), day)
        if free and free[-1].day not in seen and (day == end or may_change(course, day, rules)):
            seen.add(free[-1].day)
            yield _Wanted(player, course, free[-1].day, free[-1].day)
        if free and day == end != free[-1].day:
            yield _Wanted(player, course, end, free[-1].day)


def _news(asked: _Wanted, dated: pd.DataFrame, courses: Mapping[str, Sequence[Course]]) -> bool:
    """Whether anything was recorded or given for the fault, by anybody, between the player's session and the day."""
    fault, session, day = asked.course.fault, asked.session, asked.day
    recorded = (dated["fault"] == fault) & (dated["day"] > session) & (dated["day"] <= day)
    given = (each.given for own in courses.values() for each in own if each.fault == fault)
    return bool(recorded.any()) or any(session < when <= day for when in given)


def _dated(sums: pd.DataFrame, faults: set[str], last: dt.date) -> pd.DataFrame:
    """Rows of these faults with their day; those without one are left out."""
    rows = sums.loc[sums["fault"].isin(faults), list(SUM_COLUMNS)]
    days = {label: session_date(label) for label in rows["session"].unique()}
    rows = rows.assign(day=rows["session"].map(days).astype(object))
    return rows[[day is not None and day == day and day <= last for day in rows["day"]]]


def _read(
    rows: pd.DataFrame, courses: Mapping[str, Sequence[Course]], asked: list[_Wanted], catalogue: Catalogue
) -> Iterator[tuple[_Wanted, Gain]]:
    """The gains after the sessions of one day; those with nothing to compare are left out."""
    day = asked[0].day
    faults = {each.course.fault for each in asked}
    given = set()
    comparable: dict[tuple[str, str], dt.date] = {}
    for player, own in courses.items():
        for course in own:
            if course.fault in faults and course.given <= day:
                as_of = day if course.end is None else min(day, course.end - ONE_DAY)
                given.add((player, course.drill, course.fault, course.counted_from(as_of).isoformat()))
                comparable[player, course.fault] = course.comparable_from(day)
    keys = zip(rows["player"], rows["fault"], rows["day"], strict=True)
    kept = [when >= comparable.get((player, fault), dt.date.min) for player, fault, when in keys]
    assigned = pd.DataFrame(sorted(given), columns=["player", "drill", "fault", "since"])
    table = changes(rows[kept].drop(columns="day"), assigned, catalogue)
    gains = {
        (row.player, row.drill, row.fault, row.since): Gain(
            -row.change, -row.change_hi, -row.change_lo, row.unit, to_degrees(catalogue[row.fault])
        )
        for row in table.itertuples()
        if row.change == row.change
    }
    for each in asked:
        gain = gains.get((each.player, each.course.drill, each.course.fault, each.start.isoformat()))
        if gain is not None:
            yield each, gain
