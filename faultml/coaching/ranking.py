"""Which drill is worth most: expected benefit, picked one after the other, in an order that does no harm.

benefit of a drill for a fault = how often the fault shows now x how far past its edge x how well it
explains the miss x how early it comes x the drill's effect x what earlier picks have left of it. The effect
is that of the rules, by mechanism, until the coach's own players tell what the drill has brought.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from faultml.coaching.book import Drill
from faultml.coaching.met import WINDOW_MET
from faultml.coaching.rules import Coaching
from faultml.outcomes.effects import DrillEffect, Effects
from faultml.rules_file import Record

Status = Literal["picked", "left", "later", "waits", "barred"]


@dataclass(frozen=True)
class FaultWorth:
    """What working on a fault is worth before any drill; `severity` in the fault's unit.

    `inside` says that the measure lies inside the edge on average: there is nothing to train yet.
    """

    fault: str
    rate: float
    severity: float
    explains: float
    inside: bool = False


class Part(Record, frozen=True, omit_defaults=True):
    """One fault's part in a drill's benefit: the product of the factors from `rate` to `left`.

    `learned` says what the effect was learned from; None where it is that of the rules.
    """

    fault: str
    severity: float
    rate: float
    severity_factor: float
    explains: float
    earliness: float
    effect: float
    left: float
    benefit: float
    learned: DrillEffect | None = None


class DrillOption(Record, frozen=True):
    """A drill that serves one of the player's faults, and what became of it.

    `rank` is 0 unless picked. `status`: ``picked``; ``left`` (others were worth more); ``later`` (a cause
    comes first); ``waits`` (late save); ``barred`` (care, or a window that is already
    met). `why` is the code or the fault that says so.
    """

    drill: str
    rank: int
    status: Status
    why: str
    benefit: float
    parts: tuple[Part, ...]

    @property
    def main(self) -> str:
        """The fault the drill is for in the first place."""
        return max(self.parts, key=lambda part: part.benefit).fault


@dataclass(frozen=True)
class Situation:
    """What the ranking has to respect for one player.

    Attributes
    ----------
    refused
        Drill -> code of what care has against it.
    met
        Drills, each with the fault it would be given for, whose window the player's faulty swings already meet.
    warnings
        Codes of the setup's warnings: a setup drill is offered only where its own was raised.
    waiting
        Faults whose drills wait.
    closers_first
        Whether what closes the face comes before anything that opens it.
    effects
        What drills have brought so far; it weighs drills, and opens none that is refused or waits.
    """

    refused: Mapping[str, str]
    met: frozenset[tuple[str, str]] = frozenset()
    warnings: tuple[str, ...] = ()
    waiting: frozenset[str] = frozenset()
    closers_first: bool = False
    effects: Effects = field(default_factory=dict)


def severity_factor(fault: str, severity: float, coaching: Coaching) -> float:
    """Severity over the rules' scale (10 degrees, or 0.10 of the downswing), capped."""
    rules = coaching.rules.benefit
    return min(severity * coaching.to_degrees(fault) / rules.severity_scale_deg, rules.severity_cap)


def comes_before(
    faults: Sequence[str], closers_first: bool, coaching: Coaching, trained: Collection[str] | None = None
) -> dict[str, set[str]]:
    """For each of a player's faults, those of them to work on first: causes, and closers before openers.

    An opening cause does not hold up the closing fault it brings where closers come first. What is not among
    `trained` (all, where not given) holds nothing up: no drill will be spent on it.
    """
    first = _comes_before(faults, closers_first, coaching)
    return first if trained is None else {fault: held & set(trained) for fault, held in first.items()}


def worth_training(worths: Sequence[FaultWorth], situation: Situation, coaching: Coaching) -> frozenset[str]:
    """Faults that are worth a drill by themselves, whatever care says of their drills."""
    found = set()
    for worth in worths:
        benefits = [
            _part(
                worth, serves[worth.fault], situation.effects.get((drill, worth.fault)), 1.0, entry, coaching
            ).benefit
            for drill, serves in coaching.serving.items()
            if worth.fault in serves
            and (not (entry := coaching.book[drill]).when or entry.when in situation.warnings)
        ]
        if not worth.inside and max(benefits, default=0.0) >= coaching.rules.benefit.weak:
            found.add(worth.fault)
    return frozenset(found)


def _comes_before(faults: Sequence[str], closers_first: bool, coaching: Coaching) -> dict[str, set[str]]:
    causes = {
        fault: {cause for cause in faults if fault in coaching.brings.get(cause, ())} for fault in faults
    }
    if not closers_first:
        return causes
    face = {fault.id: fault.face for fault in coaching.catalogue.faults}
    closing = {fault for fault in faults if face.get(fault, "").startswith("closes")}
    opening = {fault for fault in faults if face.get(fault, "").startswith("opens")}
    return {
        fault: (first - opening) if fault in closing else (first | closing if fault in opening else first)
        for fault, first in causes.items()
    }


def rank_drills(worths: Sequence[FaultWorth], situation: Situation, coaching: Coaching) -> list[DrillOption]:
    """One drill to work on next, up to two in reserve, then every other drill for one of the faults."""
    by_fault = {worth.fault: worth for worth in worths}
    trained = worth_training(worths, situation, coaching)
    before = comes_before(list(by_fault), situation.closers_first, coaching, trained)
    left = dict.fromkeys(by_fault, 1.0)
    picked: list[DrillOption] = []
    for rank in range(1, coaching.rules.benefit.reserves + 2):
        taken = {option.drill for option in picked}
        options = [
            option
            for option in _options(by_fault, before, left, situation, coaching)
            if option.drill not in taken
        ]
        free = [
            option
            for option in options
            if option.status == "left" and option.benefit >= coaching.rules.benefit.least
        ]
        setup = [option for option in free if coaching.book[option.drill].phase == "setup"]
        if not free:
            break
        best = max(setup or free, key=lambda option: option.benefit)
        picked.append(
            DrillOption(
                drill=best.drill, rank=rank, status="picked", why="", benefit=best.benefit, parts=best.parts
            )
        )
        for part in best.parts:
            left[part.fault] *= 1 - part.effect
    taken = {option.drill for option in picked}
    others = [
        option
        for option in _options(by_fault, before, left, situation, coaching)
        if option.drill not in taken
    ]
    return picked + sorted(others, key=lambda option: -option.benefit)


def _worth(worth: FaultWorth, coaching: Coaching, drill: Drill | None = None) -> float:
    factor = severity_factor(worth.fault, worth.severity, coaching)
    return worth.rate * factor * worth.explains * coaching.earliness(worth.fault, drill)


def _options(
    by_fault: Mapping[str, FaultWorth],
    before: Mapping[str, set[str]],
    left: Mapping[str, float],
    situation: Situation,
    coaching: Coaching,
) -> list[DrillOption]:
    """Every drill that serves one of the faults, with what it would bring now."""
    worked_on = {fault for fault, share in left.items() if share < 1}
    options = []
    for drill_id, serves in coaching.serving.items():
        drill = coaching.book[drill_id]
        served = [fault for fault in serves if fault in by_fault]
        if not served or (drill.when and drill.when not in situation.warnings):
            continue
        main = max(served, key=lambda fault: serves[fault] * _worth(by_fault[fault], coaching))
        held_up = {fault: before[fault] - worked_on for fault in served}
        parts = tuple(
            _part(
                by_fault[fault],
                serves[fault],
                situation.effects.get((drill_id, fault)),
                left[fault],
                drill,
                coaching,
            )
            for fault in served
            if not held_up[fault]
        )
        # After earlier picks a drill may be worth most for another of its faults: it is given for that one.
        given_for = max(parts, key=lambda part: part.benefit).fault if parts else main
        status: Status = "left"
        why = ""
        if drill_id in situation.refused:
            status, why = "barred", situation.refused[drill_id]
        elif (drill_id, given_for) in situation.met:
            status, why = "barred", WINDOW_MET
        elif set(serves) & situation.waiting:
            status, why = "waits", coaching.rules.late_save.cause
        elif held_up[main]:
            status, why = "later", min(held_up[main], key=coaching.fault_ids.index)
        benefit = sum(part.benefit for part in parts)
        options.append(
            DrillOption(drill=drill_id, rank=0, status=status, why=why, benefit=benefit, parts=parts)
        )
    return options


def _part(
    worth: FaultWorth,
    strength: float,
    learned: DrillEffect | None,
    left: float,
    drill: Drill,
    coaching: Coaching,
) -> Part:
    effect = strength if learned is None else learned.share
    return Part(
        fault=worth.fault,
        severity=worth.severity,
        rate=worth.rate,
        severity_factor=severity_factor(worth.fault, worth.severity, coaching),
        explains=worth.explains,
        earliness=coaching.earliness(worth.fault, drill),
        effect=effect,
        left=left,
        benefit=_worth(worth, coaching, drill) * effect * left,
        learned=learned,
    )
