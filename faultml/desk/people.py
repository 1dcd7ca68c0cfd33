"""Everybody on the desk as they are now: plans asked of care anew, and who to see first and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property
from typing import Any, Final

import pandas as pd

from faultml.care.check import CareAnswer, care_check, care_stop
from faultml.care.known import Known, known_with_store
from faultml.care.record import record
from faultml.care.statements import Statement, latest_day
from faultml.coaching.care_now import plan_now
from faultml.coaching.giving import Giving, GivingProblem, check_giving, note_givings
from faultml.coaching.records import PlayerPlan
from faultml.coaching.rules import Coaching
from faultml.coaching.tables import read_plans
from faultml.desk.desk import Desk
from faultml.desk.plain_words import without_commands
from faultml.outcomes.assignments import assignments
from faultml.plan.day import day_of_results
from faultml.plan.evidence import StoreNotes
from faultml.plan.lines import plan_lines
from faultml.plan.of_results import plans_now
from faultml.plan.store_notes import read_notes
from faultml.plan.table import PlanRow
from faultml.results import Results
from faultml.results.sessions import session_date

NEW_DAYS: Final = 14
"""How recent recordings are new, days; practice, no source."""
FIRST: Final = ("paused", "ask", "retest", "unmoved", "new", "drifted")
"""Reasons to see somebody, the most pressing first."""


@dataclass(frozen=True)
class Reason:
    """Why to see a player: its kind, and what is shown. No word of it says anything of a player's health."""

    kind: str
    words: str


@dataclass(frozen=True)
class Person:
    """A player as of today.

    Attributes
    ----------
    player
        Name as in the recordings.
    reasons
        Why to see them, the most pressing first; empty where there is none.
    plan
        The plan as of today, in the lines of ``faultml plan``: state and drill, why, what comes next.
    """

    player: str
    reasons: tuple[Reason, ...]
    plan: tuple[str, ...]

    @property
    def urgency(self) -> tuple[int, int]:
        """Orders players: by their most pressing reason, then by how many there are."""
        first = FIRST.index(self.reasons[0].kind) if self.reasons else len(FIRST)
        return first, -len(self.reasons)


class People:
    """Everybody as care, results and store have them at this moment."""

    def __init__(self, desk: Desk, today: date | None = None) -> None:
        results = desk.season.results
        assert results is not None, "the season was classified"
        self.today = today or date.today()
        self._desk = desk
        self._results: Results = results
        self.recorded: frozenset[str] = frozenset(desk.season.players)
        self.coaching: Coaching = desk.coaching
        self.known: Known = known_now(desk, self.today)
        plans = read_plans(results.players, results.drills)
        self.plans: Mapping[str, PlayerPlan] = {
            plan.player: plan_now(plan, self.known.body(plan.player), self.coaching, self.today)
            for plan in plans
            if plan.player in self.recorded
        }

    def persons(self) -> list[Person]:
        """Everybody, who to see first in front."""
        given = assignments(self._desk.store)
        drifted = {str(each["player"]) for each in self._results.run.get("address_drift", [])}
        last = self._last_sessions()
        people = [
            Person(
                player,
                tuple(self._reasons(player, given, player in drifted, last.get(player))),
                self.plan_lines(player),
            )
            for player in sorted(self.recorded)
        ]
        return sorted(people, key=lambda each: (each.urgency, each.player))

    @cached_property
    def notes(self) -> StoreNotes:
        """What the coach has noted."""
        return read_notes(self._desk.store)

    @cached_property
    def lessons(self) -> Mapping[str, PlanRow]:
        """Every player's plan as of today, as ``faultml plan`` has it."""
        return plans_now(self._results, self.notes, self.known, self.coaching, self.today)

    def plan_lines(self, player: str) -> tuple[str, ...]:
        """A player's plan in the lines of ``faultml plan``, without ids and commands."""
        row = self.lessons.get(player)
        lines = () if row is None else plan_lines(row, self.coaching, ids=False)
        return tuple(map(without_commands, lines))

    def paused(self, player: str) -> bool:
        """Whether care stops every drill of a player."""
        return bool(care_stop(self.known.body(player), self.today))

    def care(self, player: str, drill: str) -> CareAnswer:
        """What care says of a drill for a player now."""
        return care_check(self.coaching.book[drill].demands, self.known.body(player), self.today)

    def hurts(self, player: str, by: str) -> None:
        """Hold every drill of a player from now on; where it hurts is asked afterwards."""
        record(
            self._desk.store,
            [Statement(player, "pain", latest_day("pain", self.today), by=by)],
            self.known.body(player),
            self.today,
        )

    def mistaken(self, player: str, by: str) -> None:
        """Take back that something hurts, pressed by mistake today; raises as `faultml.care.record.record`."""
        self.say(Statement(player, "mistake", latest_day("mistake", self.today), by=by))

    def say(self, statement: Statement) -> None:
        """Keep what a player says; raises as `faultml.care.record.record`."""
        record(self._desk.store, [statement], self.known.body(statement.player), self.today)

    def give(self, cells: Mapping[str, str]) -> Giving | list[GivingProblem]:
        """Give a drill if care allows it, and keep that; else what stands against it.

        Where no day is named it is that of the plan, as for ``faultml assign``.
        """
        day = day_of_results(self._results, self.notes, self.today).day
        cells = {**cells, "since": cells.get("since") or day.isoformat()}
        read = check_giving(cells, self.known, self.recorded, self.coaching, self.today)
        if isinstance(read, Giving):
            note_givings(self._desk.store, [read], self.today)
        return read

    def _last_sessions(self) -> dict[str, date]:
        sessions = self._desk.season.swings[["player", "session"]].drop_duplicates()
        sessions = sessions.assign(day=[session_date(name) for name in sessions["session"]]).dropna()
        return sessions.groupby("player")["day"].max().to_dict() if len(sessions) else {}

    def _reasons(
        self, player: str, given: pd.DataFrame, drifted: bool, last: date | None
    ) -> Sequence[Reason]:
        plan = self.plans.get(player)
        if self.paused(player):
            return [Reason("paused", "paused: speak with the player before anything else")]
        reasons = []
        if plan is not None and any(drill.care == "show" for drill in plan.drills[:1]):
            reasons.append(Reason("ask", "ask before the next drill"))
        own = given[given["player"] == player]
        if len(own):
            reasons += self._of_given(player, own, plan)
        if last is not None and timedelta(0) <= self.today - last <= timedelta(days=NEW_DAYS):
            reasons.append(Reason("new", f"new recordings of {last.isoformat()}"))
        if drifted:
            reasons.append(Reason("drifted", "the setup has moved: look at grip and sensor"))
        return reasons

    def _of_given(self, player: str, own: pd.DataFrame, plan: PlayerPlan | None) -> list[Reason]:
        latest = own.iloc[-1]
        name = (
            self.coaching.book[latest["drill"]].name
            if latest["drill"] in self.coaching.book
            else latest["drill"]
        )
        due = (
            next((drill.retest_due for drill in plan.drills if drill.drill == latest["drill"]), "")
            if plan
            else ""
        )
        if due and due <= self.today.isoformat():
            return [Reason("retest", f"re-test due since {due}: {name}")]
        rows = self._results.outcomes
        if rows is not None:
            found = rows[
                (rows["player"] == player)
                & (rows["drill"] == latest["drill"])
                & (rows["fault"] == latest["fault"])
            ]
            if len(found) and found["verdict"].iloc[-1] in ("no-change", "worse"):
                return [Reason("unmoved", f"given but not moving: {name}, since {latest['since']}")]
        return []


def known_now(desk: Desk, today: date) -> Known:
    """What roster and store say of everybody at this moment; the season was classified."""
    results = desk.season.results
    assert results is not None, "the season was classified"
    return known_with_store(_here(desk, results), frozenset(desk.season.players), today, desk.store)


def _here(desk: Desk, results: Results) -> dict[str, Any]:
    """What the results name, in the desk's own folder, which may have been moved or copied.

    A roster that the season had and that is gone holds every drill.
    """
    folder, roster, store = desk.folder, results.run.get("roster"), results.run.get("store")
    here: dict[str, Any] = {}
    if isinstance(roster, dict):
        named = str(folder.roster) if roster.get("file") or folder.roster.exists() else ""
        here["roster"] = {"file": named, "season": [str(folder.season)]}
    if isinstance(store, dict):
        here["store"] = store | {"file": str(folder.store)}
    return here
