"""A plan as a person reads it, a line a thing."""

from __future__ import annotations

from collections.abc import Mapping

from faultml.coaching.notes import note_text, write
from faultml.coaching.rules import Coaching
from faultml.plan.table import PlanRow


def plan_lines(row: PlanRow, coaching: Coaching, *, ids: bool = True) -> list[str]:
    """A plan as a person reads it: state and drill, why, and what comes next; `ids` as commands take them."""
    names = {drill.id: f"{drill.name} [{drill.id}]" if ids else drill.name for drill in coaching.book.drills}
    what = f": {_drill(row.drill, row.fault, names, coaching)}" if row.drill else ""
    since = f", since {row.since}" if row.since else ""
    lines = [f"{row.state.capitalize()}{what}{since}", row.words]
    if row.state == "start" and not row.drill:
        unknown = row.reason == "not-ranked"
        lines = [f"Start: {'not known for this day' if unknown else 'nothing now'}", row.words]
    if row.counted_from > row.given:
        lines.append(
            f"Counted from {row.counted_from}, because angles from then on cannot be compared with earlier ones: "
            "the setup, the sensor or the grip is another."
        )
    if row.next_check:
        due = row.next_check < row.on
        lines.append(
            f"Next check due since {row.next_check}." if due else f"Next check from {row.next_check} on."
        )
    if row.next_drill:
        lines.append(f"Next: {_drill(row.next_drill, row.next_fault, names, coaching)}")
    lines += [note_text(write(code), coaching) for code in row.ask]
    lines += [f"Also back: {coaching.words[fault]}{f' [{fault}]' if ids else ''}." for fault in row.returned]
    return lines


def _drill(drill: str, fault: str, names: Mapping[str, str], coaching: Coaching) -> str:
    return f"{names.get(drill, drill)}, for {coaching.words.get(fault, fault)}"
