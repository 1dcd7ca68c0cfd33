"""One player's decisions: what to work on, in which order, and what has to wait."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property

from faultml.care.body import PlayerBody
from faultml.care.check import CareAnswer, care_check, care_stop
from faultml.care.rules import CareRules
from faultml.coaching.book import Drill
from faultml.coaching.lesson import CARRY_ON, FINISHED, TRIED, Lesson, carried_on
from faultml.coaching.met import Met, already_met
from faultml.coaching.note_rules import (
    drift_matters,
)
from faultml.coaching.place import OwnNumbers, PlacedWindow, own_numbers, place
from faultml.coaching.players import PlayerFacts, PlayerSeason
from faultml.coaching.ranking import DrillOption, FaultWorth, Situation, rank_drills, worth_training
from faultml.coaching.retest import RetestResult
from faultml.coaching.rules import Coaching
from faultml.coaching.setup import DRIFT
from faultml.coaching.window import fitted
from faultml.outcomes.effects import Effects

NO_ROOM = "no-room-in-limits"


@dataclass(frozen=True)
class Decisions:
    """What is known of one player, and everything decided from it.

    Attributes
    ----------
    season
        The player's faults, and what else holds.
    body
        What is known of the player's body.
    on
        The day of the care check.
    retests
        Fault -> the last re-test.
    sessions
        Labels of the player's sessions.
    effects
        What drills have brought so far.
    met
        (drill, fault) -> how many of the player's faulty swings meet the drill's window already.
    lesson
        The drill the player is on, and what is over.
    layout_suspected
        Whether most of the season is no full swing: then nobody gets a new drill from it.
    """

    season: PlayerSeason
    body: PlayerBody
    on: date
    retests: Mapping[str, RetestResult]
    sessions: Collection[str]
    coaching: Coaching
    rules: CareRules
    effects: Effects = field(default_factory=dict)
    met: Mapping[tuple[str, str], Met] = field(default_factory=dict)
    lesson: Lesson = field(default_factory=Lesson)
    layout_suspected: bool = False

    @property
    def player(self) -> str:
        """The player's id."""
        return self.season.player

    @property
    def facts(self) -> PlayerFacts:
        """What holds for the player beside the faults."""
        return self.season.facts

    @cached_property
    def faults(self) -> tuple[str, ...]:
        """What counts as a fault of this player."""
        return self._of_kind("fault")

    @cached_property
    def styles(self) -> tuple[str, ...]:
        """What is reported and left alone."""
        return self._of_kind("style")

    @cached_property
    def warnings(self) -> tuple[str, ...]:
        """Codes of the setup's warnings; that it moved counts only where it matters for a fault."""
        matters = any(
            drift_matters(self.season.faults[fault], self.facts, self.coaching) for fault in self.faults
        )
        return tuple(code for code in self.facts.setup.warnings if code != DRIFT or matters)

    @cached_property
    def worths(self) -> list[FaultWorth]:
        """What each fault is worth working on, before any drill; one that is done is left alone."""
        floor = self.coaching.rules.explaining.floor
        rows = [self.season.faults[fault] for fault in self.faults if fault not in self.lesson.finished]
        return [
            FaultWorth(
                row.fault,
                row.rate_now,
                row.severity_now,
                max(row.explains, floor),
                inside=self._inside(row.fault),
            )
            for row in rows
        ]

    @cached_property
    def waiting(self) -> frozenset[str]:
        """Faults whose drills wait for the re-test of the late save's cause.

        Nothing waits where the cause is not flagged, not worth a drill or gets none: its re-test would never come.
        """
        rules = self.coaching.rules.late_save
        last = self.retests.get(rules.cause)
        passed = last is not None and last.passed
        if not self.facts.late_save or passed or rules.cause not in self.faults:
            return frozenset()
        waiting = frozenset(rules.waits)
        situation = self._situation(waiting)
        if rules.cause not in worth_training(self.worths, situation, self.coaching):
            return frozenset()
        options = rank_drills(self.worths, situation, self.coaching)
        served = {part.fault for option in options if option.status == "picked" for part in option.parts}
        return waiting if rules.cause in served else frozenset()

    @cached_property
    def own_numbers(self) -> OwnNumbers:
        """The angles that windows are placed on."""
        means = {fault: row.measure for fault, row in self.season.faults.items()}
        return own_numbers(self.facts.setup.setup, means, self.coaching.catalogue)

    @cached_property
    def windows(self) -> dict[str, PlacedWindow]:
        """Drill -> its window in this player's numbers, for the edge that holds for the player."""
        catalogue, limits = self.coaching.catalogue, self.rules.limits
        return {
            drill.id: place(fitted(drill.window, catalogue, self.player), self.own_numbers, limits)
            for drill in self.coaching.book.drills
        }

    @cached_property
    def answers(self) -> dict[str, CareAnswer]:
        """Drill -> what the care check says of it."""
        return {
            drill.id: care_check(drill.demands, self.body, self.on, self.rules)
            for drill in self.coaching.book.drills
        }

    @cached_property
    def situation(self) -> Situation:
        """What the ranking has to respect."""
        return self._situation(self.waiting)

    def _situation(self, waiting: frozenset[str]) -> Situation:
        refused = {drill: TRIED for drill, _ in self.lesson.tried if drill != self.lesson.drill}
        refused |= {drill.id: code for drill in self.coaching.book.drills if (code := self._refusal(drill))}
        first = self.coaching.rules.closers_first
        return Situation(
            refused=refused,
            met=already_met(self.met, self.coaching.rules.met),
            warnings=self.facts.setup.warnings,
            waiting=waiting,
            closers_first=self.facts.misses.shares.get(first.miss, 0.0) >= first.share,
            effects=self.effects,
        )

    @cached_property
    def options(self) -> list[DrillOption]:
        """Every drill that serves one of the faults, the picked ones first; before all the one the player is on."""
        ranked = rank_drills(self.worths, self.situation, self.coaching)
        if not self.on_drill:
            return ranked
        return carried_on(ranked, self.lesson.drill, self.coaching.rules.benefit.reserves)

    @property
    def on_drill(self) -> bool:
        """Whether the player is on a drill that care gives."""
        return bool(self.lesson.drill) and not self._refusal(self.coaching.book[self.lesson.drill])

    @cached_property
    def picked(self) -> list[DrillOption]:
        """The drill to work on next, and those in reserve."""
        return [option for option in self.options if option.status == "picked"]

    @cached_property
    def leading(self) -> str:
        """The fault most worth working on, whatever care says of its drills; "" where there is none."""
        free = rank_drills(self.worths, replace(self.situation, refused={}, met=frozenset()), self.coaching)
        return next((option.main for option in free if option.status == "picked"), "")

    @cached_property
    def reason(self) -> str:
        """Why there is no drill, "" where there is one."""
        stop = care_stop(self.body, self.on, self.rules)
        if stop:
            return self.rules.reasons[stop].public
        if self.on_drill:
            return ""
        if self.layout_suspected:
            return "layout-suspected"
        if not self.facts.assessed:
            return "no-swing-assessed"
        if self.facts.practice == self.facts.assessed:
            return "practice-only"
        if not self.faults:
            return (
                "nothing-explains-miss"
                if self._misses
                else "only-styles"
                if self.styles
                else "nothing-flagged"
            )
        if self.picked:
            return ""
        if not self.worths:
            return FINISHED
        free = replace(self.situation, refused={}, met=frozenset())
        if self._picks(free):
            return "drills-ruled-out"
        return "waiting" if self._picks(replace(free, waiting=frozenset())) else self._little[0]

    def _picks(self, situation: Situation) -> bool:
        """Whether there would be a drill in this situation."""
        options = rank_drills(self.worths, situation, self.coaching)
        return any(option.status == "picked" for option in options)

    @cached_property
    def _little(self) -> tuple[str, str]:
        """Why the benefit of every drill is too small: the factor furthest below its usual size, and the fault.

        The factors of the drill that comes nearest to being worth it are held against what a plain fault has: shows
        in half of the swings, a scale's width past the edge, explains the miss, is taken away to a half.
        """
        best = max((option for option in self.options if option.parts), key=lambda option: option.benefit)
        part = max(best.parts, key=lambda part: part.benefit)
        plain = {
            "explains-little": part.explains / 1.0,
            "near-edge": part.severity_factor / 1.0,
            "rare": part.rate / 0.5,
            "brings-little": part.effect / 0.5,
        }
        return min(plain, key=lambda code: plain[code]), part.fault

    @property
    def _ruled_out(self) -> set[str]:
        """Faults all of whose drills are ruled out, or where there is none of these, some."""
        barred, free = (
            {
                fault
                for option in self.options
                if (option.status == "barred") is ruled_out
                for fault in self.coaching.serving[option.drill]
            }
            for ruled_out in (True, False)
        )
        return barred - free if set(self.faults) & (barred - free) else barred

    @cached_property
    def order(self) -> str:
        """Code of what puts the first drill before one that is expected to bring more, "" where none is."""
        first = self.picked[0] if self.picked else None
        if (
            first is None
            or first.why == CARRY_ON
            or max(option.benefit for option in self.picked) <= first.benefit
        ):
            return ""
        if self.coaching.book[first.drill].phase == "setup":
            return "order-setup"
        brought = set(self.coaching.brings.get(first.main, ()))
        if self.situation.closers_first and not brought & {option.main for option in self.picked[1:]}:
            return "order-closers"
        return "order-cause"

    def _inside(self, fault: str) -> bool:
        """Whether the fault's measure lies inside its edge on average now, or at it."""
        row = self.season.faults[fault]
        sign = next((each.sign for each in self.coaching.catalogue.faults if each.id == fault), 1)
        return sign * (row.measure_now - row.edge) <= 0

    def _of_kind(self, kind: str) -> tuple[str, ...]:
        return tuple(fault for fault, row in self.season.faults.items() if row.kind == kind)

    def _refusal(self, drill: Drill) -> str:
        """Code of what speaks against a drill for this player, "" where nothing does."""
        refusal = self.answers[drill.id].public_reason(self.rules)
        return refusal or ("" if self.windows[drill.id].usable else NO_ROOM)

    @property
    def _misses(self) -> bool:
        return self.facts.misses.known and self.facts.misses.level > 0
