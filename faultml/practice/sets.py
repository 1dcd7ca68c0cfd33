"""The rules of a set and of a day: how much feedback there is, and less and less of it. Pure functions of what was
done.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from faultml.coaching.book import Drill
from faultml.practice.rules import SetRules


@dataclass(frozen=True)
class SetRecord:
    """One set as it was done.

    Attributes
    ----------
    day
        ISO date.
    number
        The set of that day, from 1.
    feedback_share
        On which share of the repetitions the result was given, by plan.
    repetitions, judged, inside
        Made, judged, and inside the window.
    guesses, guesses_right
        How often the player guessed first, and was right.
    balls
        Swings at full speed in it.
    """

    player: str
    drill: str
    day: str
    number: int
    feedback_share: float
    repetitions: int
    judged: int
    inside: int
    guesses: int = 0
    guesses_right: int = 0
    balls: int = 0

    @property
    def quiet(self) -> bool:
        """Whether nothing was judged aloud."""
        return self.feedback_share == 0


@dataclass(frozen=True)
class SetPlan:
    """How the next set is done.

    Attributes
    ----------
    number, repetitions
        The set of the day, from 1, and how many repetitions it has.
    feedback_share
        On which share of them the result is given; 0 is a quiet set, which is announced.
    live
        Whether a live cue may sound.
    """

    number: int
    repetitions: int
    feedback_share: float
    live: bool

    @property
    def quiet(self) -> bool:
        """Whether nothing is judged aloud."""
        return self.feedback_share == 0

    def gives_result(self, repetition: int) -> bool:
        """Whether the result of a repetition, from 1, is given: evenly spread over the set."""
        share = self.feedback_share
        return int(repetition * share + 1e-9) > int((repetition - 1) * share + 1e-9)


def day_share(done: Iterable[SetRecord], day: str, rules: SetRules) -> float:
    """The share of feedback with which a day begins: it falls after each day whose quiet sets went well, and never
    rises.
    """
    quiet: dict[str, list[SetRecord]] = {}
    for each in done:
        if each.day < day and each.quiet:
            quiet.setdefault(each.day, []).append(each)
    step = 0
    for sets in quiet.values():
        judged, inside = sum(each.judged for each in sets), sum(each.inside for each in sets)
        step += judged >= rules.min_judged and inside >= rules.enough * judged
    return rules.days[min(step, len(rules.days) - 1)]


def next_set(
    drill: Drill, done: Iterable[SetRecord], day: str, reps: int, rules: SetRules, *, live_possible: bool
) -> SetPlan:
    """How the next set of a day is done, after those done so far.

    Sets beyond the drill's own count, and a drill's last set, are quiet. A live cue sounds only in the first sets of
    a day that begins with full feedback.
    """
    done = list(done)
    number = 1 + max((each.number for each in done if each.day == day), default=0)
    fade = drill.feedback.fade
    share = (fade[number - 1] if number <= len(fade) else 0.0) * day_share(done, day, rules)
    live = live_possible and number <= rules.live_sets and share == 1
    return SetPlan(number, reps, share, live)
