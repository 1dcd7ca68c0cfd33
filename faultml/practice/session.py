"""One player's practice of one drill: engine, rules of the sets, care and what is noted, behind one door.

Terminal, WebSocket and desk drive it: they hand over samples and presses, and show what it says. It makes no sound
and knows no clock but the recording's; the day and what is known of the player are asked anew before each set.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date
from typing import Literal, TypeAlias

import msgspec

from faultml.care.check import CareAnswer, care_check
from faultml.care.known import Known
from faultml.care.record import record
from faultml.care.rules import Question
from faultml.care.statements import Statement
from faultml.coaching.book import load_book
from faultml.errors import InputError
from faultml.practice.engine import Engine, SwingReader
from faultml.practice.events import AnyEvent, CueOff, CueOn, FullSwing, Repetition, StationReached, Verdict
from faultml.practice.frames import Sample
from faultml.practice.judge import Target
from faultml.practice.kept import keep_set, kept_sets
from faultml.practice.sets import SetPlan, SetRecord, next_set
from faultml.store import Store

Guess = Literal["in", "out"]


class SetBegins(msgspec.Struct, frozen=True, kw_only=True, tag_field="event", tag="set-begins"):
    """A set begins; a quiet one is announced: nothing in it is judged aloud.

    `sets_left` counts this one, `balls_left` the day's full-speed swings.
    """

    number: int
    repetitions: int
    feedback_share: float
    quiet: bool
    live: bool
    sets_left: int
    balls_left: int


class Refused(msgspec.Struct, frozen=True, kw_only=True, tag_field="event", tag="refused"):
    """No set begins: care's public reason, the questions to ask first, or ``dose-done``."""

    reason: str
    ask: tuple[Question, ...] = ()


class GuessAsked(msgspec.Struct, frozen=True, kw_only=True, tag_field="event", tag="guess"):
    """A repetition is over: in or out? The result comes after the guess, or `t_s` at the latest."""

    number: int
    t_s: float


class Counted(msgspec.Struct, frozen=True, kw_only=True, tag_field="event", tag="counted"):
    """A repetition is over whose result is not given, unless it is asked for; `left` are still to do in the set."""

    number: int
    left: int


class Result(msgspec.Struct, frozen=True, kw_only=True, tag_field="event", tag="result"):
    """The result of a repetition, inside ones too, and whether the guess was right (None: no guess)."""

    number: int
    verdict: Verdict
    why: str
    margin_deg: float | None
    guess_right: bool | None = None


class SetEnds(msgspec.Struct, frozen=True, kw_only=True, tag_field="event", tag="set-ends"):
    """A set is over and kept; `rest_s` before the next."""

    number: int
    repetitions: int
    judged: int
    inside: int
    rest_s: float


class Held(msgspec.Struct, frozen=True, kw_only=True, tag_field="event", tag="held"):
    """Something hurts: everything is stopped and every drill is held. Where is asked afterwards."""

    mistake_until_s: float


SessionEvent: TypeAlias = AnyEvent | SetBegins | Refused | GuessAsked | Counted | Result | SetEnds | Held


@dataclass
class _Set:
    plan: SetPlan
    repetitions: list[Repetition] = field(default_factory=list)
    waiting: dict[int, float] = field(default_factory=dict)
    guesses: dict[int, Guess] = field(default_factory=dict)
    balls: int = 0


class PracticeSession:
    """A player practises a drill.

    Parameters
    ----------
    store
        The coach's store, in which sets, and that something hurts, are kept.
    known
        What is known of the player now; called before each set and before anything is noted.
    today
        The day; called as `known`.
    by
        Whose name stands under "hurts".
    """

    def __init__(
        self,
        player: str,
        target: Target,
        store: Store,
        known: Callable[[], Known],
        today: Callable[[], date] = date.today,
        *,
        by: str = "",
        swings: SwingReader | None = None,
    ) -> None:
        self.player, self.target = player, target
        self.engine = Engine(target, swings=swings)
        self.engine.live = False
        self._store, self._known, self._today, self._by = store, known, today, by
        self._rules = self.engine.rules.set
        self._set: _Set | None = None
        self._now_s = 0.0
        self._held_s: float | None = None

    @property
    def in_set(self) -> bool:
        """Whether a set is under way."""
        return self._set is not None

    def care(self) -> CareAnswer:
        """What care says of the player and the drill now."""
        return care_check(self.target.drill.demands, self._known().body(self.player), self._today())

    def begin_set(self) -> SetBegins | Refused:
        """Ask care, count the dose down, and begin the next set; nothing begins unless care gives the drill."""
        if self._set is not None:
            raise InputError(
                "set-under-way", where="practice", expected="the end of the set before the next one"
            )
        answer = self.care()
        if answer.verdict == "no" or answer.dose is None:
            return Refused(reason=answer.public_reason())
        if answer.verdict == "show":
            return Refused(reason="ask-first", ask=answer.ask)
        day = self._today().isoformat()
        of_all = kept_sets(self._store, self.player)
        done = [each for each in of_all if each.drill == self.target.drill.id]
        today = [each for each in done if each.day == day]
        left = answer.dose.sets - len(today)
        made = sum(each.repetitions for each in today)
        reps = min(answer.dose.reps, answer.dose.rehearsals - made)
        if left <= 0 or reps <= 0:
            return Refused(reason="dose-done")
        plan = next_set(
            self.target.drill, done, day, reps, self._rules, live_possible=self.engine.has_live_cue
        )
        self._set = _Set(plan)
        self._held_s = None
        self.engine.live = plan.live
        return SetBegins(
            number=plan.number,
            repetitions=plan.repetitions,
            feedback_share=plan.feedback_share,
            quiet=plan.quiet,
            live=plan.live,
            sets_left=left,
            # A ball loads the wrist whatever drill it was hit for.
            balls_left=max(0, answer.dose.full_speed - sum(each.balls for each in of_all if each.day == day)),
        )

    def push(self, sample: Sample) -> list[SessionEvent]:
        """Take a sample; between sets it is followed, and nothing is counted."""
        events = self.engine.push(sample)
        self._now_s = max(self._now_s, sample.t_s) if sample.t_s == sample.t_s else self._now_s
        return self._shown(events)

    def wait(self, now_s: float) -> list[SessionEvent]:
        """Let time pass on the recording's clock without a sample."""
        self._now_s = max(self._now_s, now_s)
        return self._shown(self.engine.wait(now_s))

    def finish(self) -> list[SessionEvent]:
        """The stream is over: the open set ends."""
        out = self._shown(self.engine.finish())
        if self._set is not None:
            out += [self._result(number) for number in sorted(self._set.waiting)]
            out.append(self.end_set())
        return out

    def guess(self, number: int, said: Guess) -> list[SessionEvent]:
        """The player's own guess; the result follows where it is due."""
        if self._set is None or number in self._set.guesses:
            return []
        if number in self._set.waiting:
            self._set.guesses[number] = said
            return [self._result(number)]
        return []

    def ask(self, number: int) -> list[SessionEvent]:
        """The result of a repetition on request, inside ones too; none in a quiet set."""
        if self._set is None or self._set.plan.quiet:
            return []
        known = {each.number for each in self._set.repetitions}
        return [self._result(number)] if number in known else []

    def end_set(self) -> SetEnds:
        """End the set and keep it."""
        if self._set is None:
            raise InputError("no-set", where="practice", expected="a set under way")
        made, self._set = self._set, None
        self.engine.live = False
        done = self._record(made)
        # Where care holds the player meanwhile, by whatever route, the set is kept and nothing is noted for the plan.
        try:
            keep_set(self._store, done, made.plan.repetitions, self._known(), load_book(), self._today())
        except InputError:
            if self.care().verdict != "no":
                raise
        return SetEnds(
            number=done.number,
            repetitions=done.repetitions,
            judged=done.judged,
            inside=done.inside,
            rest_s=self._rules.rest_s,
        )

    def end_if_held(self) -> list[SessionEvent]:
        """End the set where care holds the drill by now, because something was said by another route; else nothing.

        It is asked after each repetition too; who hears of a change of the store asks at once.
        """
        if self._set is None:
            return []
        answer = self.care()
        if answer.verdict != "no":
            return []
        return [self.end_set(), Refused(reason=answer.public_reason())]

    def hurts(self) -> list[SessionEvent]:
        """Stop first: every drill is held as of now, the cue is quiet and the set ends. Where it hurts is asked
        after.
        """
        self.engine.live = False
        self._say(Statement(self.player, "pain", self._today(), by=self._by))
        self._held_s = self._now_s
        out: list[SessionEvent] = [Held(mistake_until_s=self._now_s + self._rules.mistake_s)]
        if self._set is not None:
            out.append(self.end_set())
        return out

    def hurts_where(self, where: str) -> None:
        """Where it hurts, said afterwards; raises `InputError` as `faultml.care.record.record`."""
        self._say(Statement(self.player, "pain", self._today(), where, by=self._by))

    def mistake(self) -> None:
        """The press was a mistake: logged, and what stood before holds again. It clears nobody.

        Raises
        ------
        InputError
            ``too-late`` after `SetRules.mistake_s`; else as `faultml.care.record.record`.
        """
        if self._held_s is None or self._now_s - self._held_s > self._rules.mistake_s:
            expected = f"within {self._rules.mistake_s:.0f} s of the press; else a return to practice"
            raise InputError("too-late", where="practice", expected=expected)
        self._say(Statement(self.player, "mistake", self._today(), by=self._by))
        self._held_s = None

    # ------------------------------------------------------------------ inside

    def _say(self, said: Statement) -> None:
        record(self._store, [said], self._known().body(self.player), self._today())

    def _shown(self, events: list[AnyEvent]) -> list[SessionEvent]:
        """What is shown of the engine's events: no verdict before its time, no station in a quiet set."""
        out: list[SessionEvent] = []
        current = self._set
        for event in events:
            if isinstance(event, Repetition):
                out += self._repetition(event)
            elif isinstance(event, FullSwing):
                out += self._ball(event)
            elif isinstance(event, CueOn | CueOff) and not (current and current.plan.live):
                continue
            elif not isinstance(event, StationReached):
                out.append(event)
        if any(isinstance(event, Repetition | FullSwing) for event in events):
            out += self.end_if_held()
        if self._set is not None:
            due = [number for number, until_s in self._set.waiting.items() if until_s <= self._now_s]
            out += [self._result(number) for number in due]
            if len(self._set.repetitions) >= self._set.plan.repetitions and not self._set.waiting:
                out.append(self.end_set())
        return out

    def _repetition(self, event: Repetition) -> list[SessionEvent]:
        current = self._set
        if current is None:
            return []
        number = len(current.repetitions) + 1
        current.repetitions.append(msgspec.structs.replace(event, number=number))
        if current.plan.quiet or not current.plan.gives_result(number):
            return [Counted(number=number, left=max(0, current.plan.repetitions - number))]
        until_s = event.t_s + self._rules.result_after_s
        current.waiting[number] = until_s
        return [GuessAsked(number=number, t_s=until_s)]

    def _ball(self, event: FullSwing) -> list[SessionEvent]:
        if self._set is None:
            return []
        self._set.balls += event.why != "no-full-swing"
        if not self._set.plan.quiet:
            return [event]
        return [msgspec.structs.replace(event, verdict="not-judged", margin_deg=None)]

    def _result(self, number: int) -> Result:
        current = self._set
        assert current is not None
        current.waiting.pop(number, None)
        made = current.repetitions[number - 1]
        guess = current.guesses.get(number)
        right = None
        if guess is not None and made.verdict != "not-judged":
            right = (guess == "in") == (made.verdict == "inside")
        return Result(
            number=number, verdict=made.verdict, why=made.why, margin_deg=made.margin_deg, guess_right=right
        )

    def _record(self, made: _Set) -> SetRecord:
        judged = [each for each in made.repetitions if each.verdict != "not-judged"]
        guessed = [each for each in judged if each.number in made.guesses]
        right = [(made.guesses[each.number] == "in") == (each.verdict == "inside") for each in guessed]
        return SetRecord(
            player=self.player,
            drill=self.target.drill.id,
            day=self._today().isoformat(),
            number=made.plan.number,
            feedback_share=made.plan.feedback_share,
            repetitions=len(made.repetitions),
            judged=len(judged),
            inside=sum(each.verdict == "inside" for each in judged),
            guesses=len(guessed),
            guesses_right=sum(right),
            balls=made.balls,
        )
