"""The care check asked again of results that were written earlier, with what is known now.

What is left of a player's drills keeps its order. Nothing is opened that was closed when the season was classified:
where nothing stands against a drill any more, the plan says that the season is to be classified again.
"""

from __future__ import annotations

from datetime import date
from typing import Final

import msgspec
import pandas as pd

from faultml.care.body import PlayerBody
from faultml.care.check import CareAnswer, care_check, care_stop
from faultml.care.known import Known
from faultml.care.rules import STOPS, load_care
from faultml.coaching.care_notes import ASKED_ANEW, care_notes
from faultml.coaching.explain import PlayerExplanation, asked_first
from faultml.coaching.notes import Note, write
from faultml.coaching.ranking import DrillOption
from faultml.coaching.records import NoDrill, PlayerDrill, PlayerPlan
from faultml.coaching.rules import Coaching
from faultml.coaching.tables import drills_frame, read_plans

CLASSIFY_AGAIN: Final = "classify-again"
RULED_OUT: Final = "drills-ruled-out"


def drills_now(
    players: pd.DataFrame, drills: pd.DataFrame, known: Known, coaching: Coaching, on: date
) -> pd.DataFrame:
    """The table ``drills`` of a results folder as care has it on a day; `players` is the table of that name.

    Raises
    ------
    InputError
        ``damaged-results`` where a cell does not fit its record.
    """
    plans = read_plans(players, drills)
    return drills_frame([plan_now(plan, known.body(plan.player), coaching, on) for plan in plans], coaching)


def plan_now(plan: PlayerPlan, body: PlayerBody, coaching: Coaching, on: date) -> PlayerPlan:
    """A player's plan as care has it on a day."""
    rules = load_care()
    stop = care_stop(body, on, rules)
    if stop:
        public = rules.reasons[stop].public
        return _without(plan, public, write(public))
    if plan.no_drill is not None:
        again = plan.no_drill.reason in STOPS
        return _without(plan, CLASSIFY_AGAIN, write(CLASSIFY_AGAIN)) if again else plan
    # What the book does not know cannot be checked.
    drills = [drill for drill in plan.drills if drill.drill in coaching.book]
    answers = [care_check(coaching.book[drill.drill].demands, body, on, rules) for drill in drills]
    left = [(drill, answer) for drill, answer in zip(drills, answers, strict=True) if answer.verdict != "no"]
    if not left:
        why = tuple(sorted({answer.public_reason(rules) for answer in answers}))
        return _without(plan, RULED_OUT, write(RULED_OUT, faults=_faults(plan), reasons=why))
    now = tuple(_drill_now(drill, rank, answer, coaching) for rank, (drill, answer) in enumerate(left, 1))
    return msgspec.structs.replace(plan, drills=now)


def explanation_now(
    explanation: PlayerExplanation, body: PlayerBody, coaching: Coaching, on: date
) -> PlayerExplanation:
    """A player's explanation as care has it on a day."""
    rules = load_care()
    stop = care_stop(body, on, rules)
    options: list[DrillOption] = []
    picked: list[CareAnswer] = []
    rank = 0
    for option in explanation.options:
        if option.drill not in coaching.book:  # what the book does not know cannot be checked
            continue
        answer = care_check(coaching.book[option.drill].demands, body, on, rules)
        now = _option_now(option, answer, rank)
        if now.rank:
            rank = now.rank
            picked.append(answer)
        options.append(now)
    if stop:
        reason: str = rules.reasons[stop].public
    elif explanation.reason in STOPS:
        reason = CLASSIFY_AGAIN
    elif not explanation.reason and not rank:
        reason = RULED_OUT
    else:
        reason = explanation.reason
    if stop:
        # Nothing to practise by: neither drills nor their windows.
        return msgspec.structs.replace(explanation, options=(), windows=(), reason=reason, order="", ask=())
    order = explanation.order if options[:1] == list(explanation.options[:1]) else ""
    ask = () if reason else asked_first(picked)
    barred = {option.drill for option in options if option.status == "barred"}
    windows = tuple(window for window in explanation.windows if window.drill not in barred)
    return msgspec.structs.replace(
        explanation, options=tuple(options), windows=windows, reason=reason, order=order, ask=ask
    )


def _option_now(option: DrillOption, answer: CareAnswer, rank: int) -> DrillOption:
    if answer.verdict == "no":
        return msgspec.structs.replace(option, status="barred", why=answer.public_reason(), rank=0)
    if option.status == "picked":
        return msgspec.structs.replace(option, rank=rank + 1)
    return option


def _drill_now(drill: PlayerDrill, rank: int, answer: CareAnswer, coaching: Coaching) -> PlayerDrill:
    dose = coaching.book[drill.drill].dose
    new = care_notes(answer)
    known = {note.code for note in new}
    kept = [note for note in drill.notes if note.code not in ASKED_ANEW | known]
    return msgspec.structs.replace(
        drill,
        rank=rank,
        care="show" if answer.verdict == "show" else "give",
        dose=dose.words(answer.dose or dose.amount),
        notes=(*kept, *new),
    )


def _without(plan: PlayerPlan, reason: str, *notes: Note) -> PlayerPlan:
    """The plan without its drills."""
    return msgspec.structs.replace(
        plan,
        drills=(),
        no_drill=NoDrill(player=plan.player, reason=reason, notes=notes, faults=_faults(plan)),
    )


def _faults(plan: PlayerPlan) -> tuple[str, ...]:
    return tuple(row.fault for row in plan.faults if row.kind == "fault")
