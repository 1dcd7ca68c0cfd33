"""A player's drills as the plan of the moment has them, where notes are younger than the results."""

from __future__ import annotations

import msgspec

from faultml.coaching.care_now import CLASSIFY_AGAIN
from faultml.coaching.lesson import CARRY_ON, GIVEN_SINCE
from faultml.coaching.notes import write
from faultml.coaching.records import NoDrill, PlayerDrill, PlayerPlan
from faultml.plan.table import PlanRow


def drills_followed(plan: PlayerPlan, row: PlanRow | None) -> PlayerPlan:
    """Drills in the order that the plan of the moment asks for.

    The drill the player is on stands first, and its re-test is due when the plan says. One that is to be changed, or
    whose fault is done, is not among them. Where the results know nothing of the drill the player is on, there is none.
    """
    if row is None or not row.drill or row.state in ("start", "returned"):
        return plan
    if row.active:
        own = [drill for drill in plan.drills if drill.drill == row.drill]
        if plan.drills and not own:
            return _without(plan, GIVEN_SINCE)
        first = [msgspec.structs.replace(each, retest_due=row.next_check or each.retest_due) for each in own]
        return _ranked(plan, [*first, *(drill for drill in plan.drills if drill.drill != row.drill)])
    over = {CARRY_ON} if row.state in ("change", "done") else set()
    left = [
        drill
        for drill in plan.drills
        if not (drill.drill == row.drill and {note.code for note in drill.notes} & over)
        and not (row.state == "done" and drill.faults[:1] == (row.fault,))
    ]
    return _ranked(plan, left) if left or not plan.drills else _without(plan, CLASSIFY_AGAIN)


def _ranked(plan: PlayerPlan, drills: list[PlayerDrill]) -> PlayerPlan:
    ranked = tuple(msgspec.structs.replace(each, rank=rank) for rank, each in enumerate(drills, 1))
    return msgspec.structs.replace(plan, drills=ranked)


def _without(plan: PlayerPlan, code: str) -> PlayerPlan:
    faults = tuple(row.fault for row in plan.faults if row.kind == "fault")
    reason = NoDrill(player=plan.player, reason=code, notes=(write(code),), faults=faults)
    return msgspec.structs.replace(plan, drills=(), no_drill=reason)
