"""One player's plan: the decisions as records, with what to say about each."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

import msgspec

from faultml.coaching import retest
from faultml.coaching.book import Drill
from faultml.coaching.care_notes import care_notes
from faultml.coaching.decisions import Decisions
from faultml.coaching.lesson import CARRY_ON
from faultml.coaching.met import MET_MEANWHILE, WINDOW_MET
from faultml.coaching.note_rules import (
    ball_notes,
    evidence_notes,
    finding_notes,
    save_notes,
    setup_notes,
)
from faultml.coaching.notes import WEAK, Figure, Note, confidence, write
from faultml.coaching.ranking import DrillOption, rank_drills
from faultml.coaching.records import NoDrill, PlayerDrill, PlayerFault, PlayerPlan, window_cells
from faultml.coaching.rules import LATE_SAVE


class PlayerCase(Decisions):
    """One player's case: the decisions, and their words."""

    def plan(self) -> PlayerPlan:
        """Everything decided, as the faces show it."""
        flagged = {fault: self.finding_notes(fault) for fault in (*self.faults, *self.styles)}
        return PlayerPlan(
            player=self.player,
            faults=tuple(
                msgspec.structs.replace(
                    row,
                    leading=fault == self.leading,
                    confidence=confidence(flagged[fault]) if fault in flagged else "",
                    notes=tuple(flagged.get(fault, ())),
                    warnings=self.warnings,
                )
                for fault, row in self.season.faults.items()
            ),
            drills=() if self.reason else tuple(self._drill(option) for option in self.picked),
            no_drill=self._no_drill() if self.reason else None,
        )

    def _drill(self, option: DrillOption) -> PlayerDrill:
        drill = self.coaching.book[option.drill]
        carried, answer = option.why == CARRY_ON, self.answers[option.drill]
        notes = self.carry_on_notes() if carried else self.drill_notes(option)
        served = [part.fault for part in sorted(option.parts, key=lambda part: -part.benefit)]
        if carried:
            served = [self.lesson.fault, *(fault for fault in served if fault != self.lesson.fault)]
        return PlayerDrill(
            player=self.player,
            rank=option.rank,
            drill=drill.id,
            priority=option.benefit,
            care="show" if answer.verdict == "show" else "give",
            confidence=confidence(notes),
            notes=tuple(notes),
            faults=tuple(served),
            dose=drill.dose.words(answer.dose or drill.dose.amount),
            retest=str(drill.retest),
            retest_due=(carried and self.lesson.next_check) or self.retest_due(drill),
            **window_cells(self.windows[option.drill].window),
        )

    def _no_drill(self) -> NoDrill:
        return NoDrill(
            player=self.player, reason=self.reason, notes=tuple(self.reason_notes()), faults=self.faults
        )

    def _little_note(self) -> Note:
        code, fault = self._little
        row = self.season.faults[fault]
        figures: dict[str, dict[str, Figure]] = {
            "explains-little": {"miss": row.miss},
            "near-edge": {"severity": row.severity_now, "unit": row.unit},
            "rare": {"rate": row.rate_now},
        }
        return write(code, fault=fault, **figures.get(code, {}))

    def finding_notes(self, fault: str) -> list[Note]:
        """How far to trust one flagged fault."""
        row, doubt = self.season.faults[fault], self.season.doubts[fault]
        notes = finding_notes(row, doubt, self.facts, self.coaching) + self._miss_notes()
        return notes + (self._near_end_notes((fault,)))

    def _near_end_notes(self, faults: Collection[str]) -> list[Note]:
        """That a fault is read near the end of usual wrist motion, which is for the coach to look at."""
        near = tuple(fault for fault in faults if fault in self.facts.near_end)
        return [write("near-end", faults=near, words=self.rules.words.near_end)] if near else []

    def drill_notes(self, option: DrillOption) -> list[Note]:
        """What to say with a picked drill; what holds for the player as a whole is said with the first."""
        drill, main = self.coaching.book[option.drill], option.main
        notes = self._order_notes(option) + self._serves_notes(option) + self._weak_notes(option)
        notes += self.finding_notes(main)
        after = [fault for fault in self.faults if fault in self.coaching.brings.get(main, ())]
        if after:
            notes.append(write("comes-first", faults=tuple(after)))
        if option.rank == 1:
            notes += self._player_notes(known={note.code for note in notes})
        notes += self._retest_notes(main)
        evidence = evidence_notes(self.effects.get((drill.id, main)), self.coaching)
        return (
            notes
            + self._window_notes(drill)
            + self._met_notes(option)
            + care_notes(self.answers[drill.id])
            + evidence
        )

    def carry_on_notes(self) -> list[Note]:
        """What to say with the drill the player is on, which is not given as if it were new."""
        fault, drill = self.lesson.fault, self.coaching.book[self.lesson.drill]
        notes = [write(CARRY_ON, since=self.lesson.given, fault=fault)]
        if fault in self.faults:
            notes += self.finding_notes(fault)
        else:
            notes += _not_flagged_notes(self.season.faults[fault])
        notes += self._player_notes(known={note.code for note in notes}) if self.facts.assessed else []
        evidence = evidence_notes(self.effects.get((drill.id, fault)), self.coaching)
        notes += self._retest_notes(fault) + self._window_notes(drill)
        met = self.met.get((drill.id, fault))
        if met is not None and met.already(self.coaching.rules.met):
            notes.append(write(MET_MEANWHILE, met=met.n_met, swings=met.n_faulty))
        return notes + care_notes(self.answers[drill.id]) + evidence

    def reason_notes(self) -> list[Note]:
        """What to say where there is no drill."""
        facts = self.facts
        first = {
            "no-swing-assessed": lambda: write("no-swing-assessed", swings=facts.swings),
            "drills-ruled-out": lambda: write(
                "drills-ruled-out",
                faults=tuple(fault for fault in self.faults if fault in self._ruled_out),
                reasons=tuple(sorted({option.why for option in self.options if option.status == "barred"})),
            ),
            "nothing-explains-miss": lambda: write("nothing-explains-miss", miss=facts.misses.main),
            **dict.fromkeys(("explains-little", "near-edge", "rare", "brings-little"), self._little_note),
        }
        whole = (
            self._player_notes(known={self.reason} if self.reason != "waiting" else set())
            if facts.assessed
            else []
        )
        if self.reason == "waiting":
            return whole  # the late save and what waits for it are said there
        balls = ball_notes(self.facts) if self.reason in {"nothing-explains-miss", "explains-little"} else []
        return [first[self.reason]() if self.reason in first else write(self.reason), *balls, *whole]

    def _order_notes(self, option: DrillOption) -> list[Note]:
        if option.rank != 1 or not self.order:
            return []
        best = max(self.picked, key=lambda each: each.benefit)
        figures = {"miss": self.coaching.rules.closers_first.miss} if self.order == "order-closers" else {}
        return [write(self.order, drill=best.drill, **figures)]

    def _serves_notes(self, option: DrillOption) -> list[Note]:
        """Why a drill is for another fault than the leading one."""
        main, leading = option.main, self.leading
        if main == leading:
            return []
        if any(earlier.main == leading and earlier.rank < option.rank for earlier in self.picked):
            return [write("serves-next", fault=main, leading=leading)]
        barred = {
            each.why
            for each in self.options
            if each.status == "barred" and leading in self.coaching.serving[each.drill]
        }
        if barred:
            return [write("serves-other", fault=main, leading=leading, reasons=tuple(sorted(barred)))]
        return [write("serves-instead", fault=main, leading=leading)]

    def _weak_notes(self, option: DrillOption) -> list[Note]:
        """Whether there is too little in it to train."""
        if self._inside(option.main):
            return [write(WEAK, why="inside-edge")]
        little = option.benefit < self.coaching.rules.benefit.weak
        return [write(WEAK, why="little-to-gain")] if little else []

    def _miss_notes(self) -> list[Note]:
        """Whether what is flagged explains the miss."""
        misses = self.facts.misses
        if not misses.known:
            return [write("miss-unknown")]
        explained = any(self.season.faults[fault].explains_miss for fault in self.faults)
        balls = ball_notes(self.facts)
        if self._misses and not explained:
            return [write("nothing-explains-miss", miss=misses.main), *balls]
        return balls

    def _player_notes(self, known: set[str]) -> list[Note]:
        """What holds for the player as a whole, leaving out what was said."""
        notes = setup_notes(self.facts, self.coaching)
        notes += save_notes(self.season.faults[LATE_SAVE].rate_now, self.facts, self.waiting, self.coaching)
        alone = tuple(fault for fault in self.styles if fault != self.lesson.fault)
        if alone:
            notes.append(write("style-not-fault", faults=alone))
        notes += self._near_end_notes(self.faults)
        if self.facts.misses.path:
            notes.append(write("path-not-seen"))
        if self._misses and not self.facts.forearm_seen:
            notes.append(write("roll-not-ruled-out"))
        return [note for note in notes if note.code not in known]

    def _retest_notes(self, fault: str) -> list[Note]:
        last = self.retests.get(fault)
        if last is None:
            return []
        figures: dict[str, Figure] = {"session": last.session, "inside": last.inside, "swings": last.swings}
        if last.passed:
            return [write("retest-passed", **figures)]
        why = "" if last.later_day else "practice-day"
        return [write("retest-not-passed", **figures, needed=round(10 * last.needed), why=why)]

    def _window_notes(self, drill: Drill) -> list[Note]:
        notes = [] if self.facts.setup.measured else [write("setup-unknown")]
        return notes + ([write("window-clipped")] if self.windows[drill.id].clipped else [])

    def _met_notes(self, option: DrillOption) -> list[Note]:
        """The drill that would have come first, had its window not been met already."""
        if option.rank != 1:
            return []
        met = self.situation.met
        free = (
            rank_drills(self.worths, replace(self.situation, met=frozenset()), self.coaching) if met else []
        )
        passed = next((other for other in free if other.rank == 1 and (other.drill, other.main) in met), None)
        if passed is None:
            return []
        counts = self.met[passed.drill, passed.main]
        return [write(WINDOW_MET, drill=passed.drill, met=counts.n_met, swings=counts.n_faulty)]

    def retest_due(self, drill: Drill) -> str:
        """The ISO date from which the re-test is due, "" where the sessions have no dates."""
        date = retest.due(drill, self.sessions)
        return date.isoformat() if date else ""


def _not_flagged_notes(row: PlayerFault) -> list[Note]:
    """What to say of a drill in progress whose fault is none now."""
    if row.kind == "none":
        calls = {"flagged": row.flagged_now, "swings": row.swings_now}
        return [write("seldom-now", fault=row.fault, rate=row.rate_now, **calls)]
    if row.kind == "style":
        return [write("style-now", fault=row.fault)]
    return [write("not-assessed-now", fault=row.fault)] if row.kind == "not_assessed" else []
