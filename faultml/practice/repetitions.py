"""Whether a movement was a repetition, and its verdict."""

from __future__ import annotations

from faultml.coaching.stations import Station, load_places
from faultml.practice.events import NotJudged, Repetition, StationTime, Verdict
from faultml.practice.judge import Target, judge
from faultml.practice.movement import Movement, far
from faultml.practice.places import Stop, distance
from faultml.practice.rest import Rest


def repetition_of(movement: Movement, target: Target, rest: Rest, number: int) -> Repetition | None:
    """The repetition that a movement was, None where it was none.

    It was one where it led far enough and stopped at a station; without a station, where it was slow and steady,
    went where the drill goes, and came back or was certain to keep the window.
    """
    if movement.reach_deg < target.drill.rehearsal.min_move_deg:
        return None
    placed = movement.placed()
    known = [stop for stop in movement.stops if stop in placed.values()]
    if known and not _is_whole_way(movement, known[-1], placed):
        return None
    if not known and not (movement.is_slow_and_steady() and _goes_there(movement, target)):
        return None
    margin, why = float("nan"), _refused(movement)
    if not why:
        margin, why = judge(
            target,
            target.placed_at(movement.setup_deg),
            movement.curves_deg(),
            placed,
            movement.rules.stops.still_deg,
        )
        if why == "no-stop" and known:
            why = "broken-off"
    if not known and why and _ends_elsewhere(movement, rest):
        return None
    verdict: Verdict = "not-judged" if why else "inside" if margin >= 0 else "outside"
    return Repetition(
        t_s=movement.times_s[-1],
        number=number,
        start_s=movement.start_s,
        end_s=max((stop.end_s for stop in known), default=movement.times_s[-1]),
        stations=tuple(
            StationTime(station=station, start_s=stop.start_s, end_s=stop.end_s)
            for station, stop in sorted(placed.items(), key=lambda each: each[1].start_s)
        ),
        verdict=verdict,
        why=why,
        margin_deg=None if why else round(margin, 3),
        setup_deg=movement.setup_deg,
        whole=all(each in placed for each in target.needed),
    )


def _is_whole_way(movement: Movement, last: Stop, placed: dict[Station, Stop]) -> bool:
    """Whether the way to the last station led by those before it, and then back, or the player stood there for good."""
    here = next(station for station, stop in placed.items() if stop is last)
    if not movement.leads_to(here, last, placed):
        return False
    if movement.goes_on:
        return True
    stood = last.end_s - last.start_s >= movement.rules.repetition.hold_end_s
    return stood or last.is_home(movement.rules.repetition.setup_deg) or movement.has_returned(last.last)


def _refused(movement: Movement) -> NotJudged:
    if movement.turned:
        return "sensor-turned"
    if movement.spoiled:
        return "samples-lost"
    return "" if movement.at_setup else "setup-differs"


def _goes_there(movement: Movement, target: Target) -> bool:
    """Whether a movement without stops went where the drill goes: its farthest place is like one of the stations."""
    at = max(range(len(movement.frames)), key=lambda each: far(movement.frames[each]))
    time_s = movement.times_s[at]
    there = Stop(time_s, time_s, at, at, movement.frames[at], movement.elevations_deg[at])
    rules = movement.rules.stations
    return any(
        distance(there, load_places()[each], movement.judged, rules) <= rules.max_distance
        for each in target.drill.rehearsal.stops
    )


def _ends_elsewhere(movement: Movement, rest: Rest) -> bool:
    """Whether a movement without stations has not come back to its setup."""
    last = movement.stops[-1] if movement.stops else None
    return last is None or not (movement.is_home(last) or rest.is_usual(movement.absolute(last.d_deg)))
