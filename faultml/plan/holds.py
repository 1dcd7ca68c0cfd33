"""The days on which care gives no leave for a drill: the care check asked for every day since drills were given."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import replace

import msgspec

from faultml.care.body import PlayerBody
from faultml.care.check import care_check, care_stop
from faultml.care.known import Known
from faultml.care.rules import load_care
from faultml.coaching.book import Drill, DrillBook
from faultml.coaching.care_notes import ask_codes
from faultml.plan.clock import ONE_DAY
from faultml.plan.evidence import StoreNotes
from faultml.plan.records import Hold
from faultml.plan.rules import ReasonCode, load_plan_rules
from faultml.plan.table import PlanRow
from faultml.results.sessions import session_date


def care_holds(
    known: Known, notes: StoreNotes, book: DrillBook, day: dt.date, today: dt.date
) -> dict[str, list[Hold]]:
    """Player -> what care has held up to a day: every drill while one must not practise at all, or one that was given.

    Each day is asked with what was said up to it, so that what is said later does not change an earlier plan. `day`
    itself is asked with everything that is known where it is `today` or later. What has no date, such as a roster
    that cannot be read, holds from the first day asked.
    """
    rules = load_care()

    def seen(body: PlayerBody, when: dt.date) -> PlayerBody:
        if when == day >= today:
            return body
        return replace(body, said=tuple(said for said in body.said if said.on <= when))

    def stopped(body: PlayerBody, when: dt.date) -> bool:
        return bool(care_stop(seen(body, when), when, rules))

    def barred(drill: Drill, body: PlayerBody, when: dt.date) -> bool:
        refused = care_check(drill.demands, seen(body, when), when, rules).verdict == "no"
        return refused and not stopped(body, when)

    given: dict[str, dict[str, dt.date]] = {}
    for note in notes.given:
        since = session_date(note.since) or day
        own = given.setdefault(note.player, {})
        own[note.drill] = min(since, own.get(note.drill, since))
    found: dict[str, list[Hold]] = {}
    for player in sorted({*known.bodies, *given}):
        body, drills = known.body(player), given.get(player, {})
        first = min([day, *drills.values(), *(said.on for said in body.said)])
        stops = [when for when in _days(first, day) if stopped(body, when)]
        holds = [Hold(start, end) for start, end in _stretches(stops, day)]
        for name, since in sorted(drills.items()):
            if name in book:
                refused = [when for when in _days(since, day) if barred(book[name], body, when)]
                holds += [Hold(start, end, name, "barred") for start, end in _stretches(refused, day)]
        if holds:
            found[player] = holds
    return found


def row_now(row: PlanRow, body: PlayerBody, book: DrillBook, today: dt.date) -> PlanRow:
    """A plan that was written earlier, as care has it now: nothing is carried on or begun against it."""
    rules, care = load_plan_rules(), load_care()

    def refused(drill: str) -> bool:
        return drill in book and care_check(book[drill].demands, body, today, care).verdict == "no"

    def changed(reason: ReasonCode) -> PlanRow:
        rule = rules.reason[reason]
        # A season that is over, or ahead, has no day of what is said today.
        live = 0 <= (today - dt.date.fromisoformat(row.on)).days <= rules.day.live_days
        since = row.since if row.state == rule.state else today.isoformat() if live else ""
        return msgspec.structs.replace(
            row, state=rule.state, reason=reason, words=rule.words, since=since, next_check=""
        )

    if care_stop(body, today, care):
        row = msgspec.structs.replace(row, ask=())
        held = row if row.state == "done" else changed("paused")
        drill = "" if row.state == "start" else row.drill
        return msgspec.structs.replace(
            held, drill=drill, fault=row.fault if drill else "", next_drill="", next_fault=""
        )
    now = changed("barred") if row.active and refused(row.drill) else row
    if now.state == "start" and refused(now.drill):
        now = msgspec.structs.replace(now, drill="", fault="")
    if refused(now.next_drill):
        now = msgspec.structs.replace(now, next_drill="", next_fault="")
    return asked_first(now, body, book, today)


def asked_first(row: PlanRow, body: PlayerBody, book: DrillBook, today: dt.date) -> PlanRow:
    """A plan with what care asks, on the day of the check, before its drill is practised or started."""
    drill = row.drill if row.active or row.state == "start" else row.next_drill
    if drill not in book or row.state == "waits":
        return msgspec.structs.replace(row, ask=())
    answer = care_check(book[drill].demands, body, today, load_care())
    return msgspec.structs.replace(row, ask=ask_codes(answer))


def _days(first: dt.date, last: dt.date) -> Iterator[dt.date]:
    return (first + number * ONE_DAY for number in range((last - first).days + 1))


def _stretches(days: list[dt.date], last: dt.date) -> list[tuple[dt.date, dt.date | None]]:
    """Days in order as stretches from their first day to the day after their last; open where they reach `last`."""
    found: list[tuple[dt.date, dt.date | None]] = []
    for place, day in enumerate(days):
        if place == 0 or day - days[place - 1] > ONE_DAY:
            found.append((day, None))
        if place + 1 == len(days) or days[place + 1] - day > ONE_DAY:
            found[-1] = (found[-1][0], None if day >= last else day + ONE_DAY)
    return found
