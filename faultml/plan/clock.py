"""The plan's clock: days that count, those on which care holds the drill left out."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from faultml.plan.records import Hold

ONE_DAY: Final = dt.timedelta(days=1)


@dataclass(frozen=True)
class Clock:
    """Counts days for one drill.

    Attributes
    ----------
    holds
        Every hold that concerns the drill, in any order; they may overlap.
    """

    holds: tuple[Hold, ...]

    @classmethod
    def of(cls, drill: str, holds: Iterable[Hold]) -> Clock:
        """The clock of a drill; "" is held only where every drill is."""
        return cls(tuple(sorted((hold for hold in holds if hold.drill in ("", drill)), key=_order)))

    def hold_on(self, day: dt.date) -> Hold | None:
        """The hold of a day, a ``barred`` one before a ``paused`` one, the earlier first."""
        return min(
            (hold for hold in self.holds if hold.covers(day)),
            key=lambda hold: (hold.kind == "paused", hold.start),
            default=None,
        )

    def held_since(self, day: dt.date) -> dt.date:
        """First day of the unbroken stretch of held days that `day` belongs to; itself where it is not held."""
        since = day
        while (hold := self.hold_on(since)) is not None:
            since = hold.start
            if self.hold_on(since - ONE_DAY) is None:
                return since
            since -= ONE_DAY
        return since

    def days(self, start: dt.date, end: dt.date) -> int:
        """Days from `start` to `end` that are not held, 0 on the day itself."""
        total = max((end - start).days, 0)
        held, seen = 0, start
        for hold in self.holds:
            first = max(hold.start, seen)
            last = end if hold.end is None else min(hold.end, end)
            if first < last:
                held += (last - first).days
                seen = last
        return total - held

    def day_after(self, start: dt.date, days: int) -> dt.date | None:
        """The first day on which so many days have counted since `start`; None while a hold without end lasts."""
        day = start + days * ONE_DAY
        while (missing := days - self.days(start, day)) > 0:
            hold = self.hold_on(day)
            if hold is not None and hold.end is None:
                return None
            day += missing * ONE_DAY
        return day


def _order(hold: Hold) -> tuple[dt.date, bool, dt.date]:
    """By start; of equal starts the open one last, so that none is counted twice."""
    return hold.start, hold.end is None, hold.end or hold.start
