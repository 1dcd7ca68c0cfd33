"""The table ``plans``: a row a player, written from the records and read back into them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

import msgspec
import pandas as pd

from faultml.coaching.lesson import Lesson
from faultml.errors import InputError
from faultml.plan.records import LessonPlan
from faultml.plan.rules import PlanRules, State, load_plan_rules
from faultml.plan.words import day_words, reason_words
from faultml.results.tables import Kind

PLAN_TABLE: Final = "plans"


class PlanRow(msgspec.Struct, frozen=True, kw_only=True):
    """One player's plan as the tables, the report and programs read it.

    Attributes
    ----------
    on
        The day the plan is for, an ISO date as all days here, "" where there is none.
    state, since
        What is to be done, and the first day of it.
    drill, fault
        What the state is about; of ``start`` what may be started.
    reason, words
        Code and sentence of why.
    next_check
        From when on the next re-test, or the monthly check, is wanted.
    given, counted_from
        When the drill was given, and from when on it is counted (later where a baseline is new).
    practice_days
        None where practice is unknown.
    sets_done, sets_planned
        In the fullest three weeks.
    free_swings, free_sessions
        Without feedback since `counted_from`.
    gain, gain_lo, gain_hi
        With a 90 % interval, + better, in `unit`.
    retest_on, retest_inside, retest_swings
        The last re-test since `counted_from`: its day, and of its swings those inside the corridor.
    next_drill, next_fault
        What may be started in place of what the state is about; "" while a drill is active.
    returned
        Faults that have returned beside `fault`.
    ask
        What to ask before the drill is practised, or started: codes of notes.
    """

    player: str
    on: str
    state: State
    since: str
    drill: str
    fault: str
    reason: str
    words: str
    next_check: str
    given: str
    counted_from: str
    practice_days: int | None
    sets_done: float | None
    sets_planned: float | None
    free_swings: int | None
    free_sessions: int | None
    gain: float | None
    gain_lo: float | None
    gain_hi: float | None
    unit: str
    retest_on: str = ""
    retest_inside: int | None = None
    retest_swings: int | None = None
    next_drill: str
    next_fault: str
    returned: tuple[str, ...]
    ask: tuple[str, ...] = ()

    @property
    def active(self) -> bool:
        """Whether the player is on a drill: no other may be started."""
        return is_active(self.state, self.drill)


PLANS: Final[dict[str, Kind]] = {
    **dict.fromkeys(
        ("player", "on", "state", "since", "drill", "fault", "reason", "words", "next_check", "given", "counted_from"),
        "text",
    ),
    "practice_days": "whole",
    **dict.fromkeys(("sets_done", "sets_planned"), "number"),
    **dict.fromkeys(("free_swings", "free_sessions"), "whole"),
    **dict.fromkeys(("gain", "gain_lo", "gain_hi"), "number"),
    **dict.fromkeys(("unit", "retest_on"), "text"),
    **dict.fromkeys(("retest_inside", "retest_swings"), "whole"),
    **dict.fromkeys(("next_drill", "next_fault"), "text"),
    **dict.fromkeys(("returned", "ask"), "words"),
}  # fmt: skip
"""Columns of ``plans``."""


def is_active(state: State, drill: str) -> bool:
    """Whether a state is one in which the player is on the drill."""
    return bool(drill) and state in ("carry on", "waits")


def lesson_of(plan: LessonPlan) -> Lesson:
    """What the ranking of drills has to know of a plan."""
    on_drill = is_active(plan.state, plan.drill)
    return Lesson(
        drill=plan.drill if on_drill else "",
        fault=plan.fault if on_drill else "",
        given=day_words(plan.given) if on_drill else "",
        next_check=day_words(plan.next_check) if on_drill else "",
        tried=plan.tried,
        finished=plan.finished,
    )


Options = Mapping[str, Sequence[tuple[str, str]]]
"""Player -> drills that may be given with the fault each serves, the best first: what the season's ranking says."""


def ranked_options(drills: pd.DataFrame) -> dict[str, list[tuple[str, str]]]:
    """The options in the table ``drills``."""
    found: dict[str, list[tuple[str, str]]] = {}
    for row in drills[drills["rank"] > 0].sort_values("rank", kind="stable").itertuples():
        found.setdefault(row.player, []).append((row.drill, row.faults[0]))
    return found


def player_rows(
    plans: Mapping[str, LessonPlan], day: dt.date, options: Options, ranked_from: dt.date | None = None
) -> list[PlanRow]:
    """A row a player, with what may be started next.

    Before the day `ranked_from` no ranking is known, and a row without a drill says so.
    """
    ranked = ranked_from is None or day >= ranked_from
    rows = [
        plan_row(player, plan, day, options.get(player, ()) if ranked else ())
        for player, plan in sorted(plans.items())
    ]
    return rows if ranked else [_not_ranked(row, plans[row.player], ranked_from) for row in rows]


def _not_ranked(row: PlanRow, plan: LessonPlan, ranked_from: dt.date | None) -> PlanRow:
    if row.reason != "none-given":
        return row
    unknown = replace(plan, reason="not-ranked")
    words = reason_words(unknown, load_plan_rules(), day_words(ranked_from))
    return msgspec.structs.replace(row, reason=unknown.reason, words=words)


def plan_row(
    player: str,
    plan: LessonPlan,
    day: dt.date,
    options: Iterable[tuple[str, str]],
    rules: PlanRules | None = None,
) -> PlanRow:
    """One player's plan as a row.

    Parameters
    ----------
    options
        The player's `Options`.
    """
    progress = plan.progress
    gain = progress.gain if progress else None
    drill, fault = plan.drill, plan.fault
    following = ("", "") if is_active(plan.state, drill) else next_drill(plan, options)
    if plan.state == "start":
        (drill, fault), following = following, ("", "")
    return PlanRow(
        player=player,
        on=day.isoformat(),
        state=plan.state,
        since=day_words(plan.since),
        drill=drill,
        fault=fault,
        reason=plan.reason,
        words=reason_words(plan, rules or load_plan_rules()),
        next_check=day_words(plan.next_check),
        given=day_words(plan.given),
        counted_from=day_words(progress.counted_from if progress else None),
        practice_days=progress.practice_days if progress else None,
        sets_done=progress.sets_done if progress else None,
        sets_planned=progress.sets_planned if progress else None,
        free_swings=progress.free_swings if progress else None,
        free_sessions=progress.free_sessions if progress else None,
        gain=gain.gain if gain else None,
        gain_lo=gain.lo if gain else None,
        gain_hi=gain.hi if gain else None,
        unit=gain.unit if gain else "",
        retest_on=day_words(plan.last_retest.day) if plan.last_retest else "",
        retest_inside=plan.last_retest.inside if plan.last_retest else None,
        retest_swings=plan.last_retest.swings if plan.last_retest else None,
        next_drill=following[0],
        next_fault=following[1],
        returned=plan.returned,
    )


def next_drill(plan: LessonPlan, options: Iterable[tuple[str, str]]) -> tuple[str, str]:
    """What to start next: nothing that was tried without a gain, and nothing for a fault that is done."""
    if plan.state == "waits":
        return "", ""
    allowed = (each for each in options if each not in plan.tried and each[1] not in plan.finished)
    return next(allowed, ("", ""))


def plans_frame(rows: Collection[PlanRow]) -> pd.DataFrame:
    """The table."""
    frame = pd.DataFrame([msgspec.structs.asdict(row) for row in rows], columns=list(PLANS))
    whole = [name for name, kind in PLANS.items() if kind == "whole"]
    numbers = [name for name, kind in PLANS.items() if kind == "number"]
    text = [name for name, kind in PLANS.items() if kind == "text"]
    kinds = dict.fromkeys(whole, "Int64") | dict.fromkeys(numbers, "float64") | dict.fromkeys(text, "str")
    return frame.astype(kinds)


def read_plan_rows(frame: pd.DataFrame | None) -> dict[str, PlanRow]:
    """Rows of the table by player; none where there is no table.

    Raises
    ------
    InputError
        ``damaged-results`` where a cell does not fit.
    """
    if frame is None:
        return {}
    try:
        return {row.player: row for row in map(_row, frame.to_dict("records"))}
    except (msgspec.MsgspecError, KeyError) as error:
        expected, found = "a table of faultml", str(error)
        raise InputError("damaged-results", where=PLAN_TABLE, expected=expected, found=found) from error


def _row(cells: Mapping[Any, Any]) -> PlanRow:
    return msgspec.convert(
        {str(name): _value(cell, PLANS[str(name)]) for name, cell in cells.items()}, PlanRow
    )


def _value(cell: Any, kind: Kind) -> Any:
    if kind == "words":
        return tuple(cell)
    if kind == "text":
        return str(cell)
    if pd.isna(cell):
        return None
    return int(cell) if kind == "whole" else float(cell)
