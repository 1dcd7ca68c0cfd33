"""The drill book: what a player can practise, typed and checked against the rules of care.

The drills are data (`drills.toml`), written so that a player can follow one alone. What a drill is for, and
how strongly, stands in `rules.toml`.
"""

from __future__ import annotations

import re
from difflib import get_close_matches
from functools import cached_property, lru_cache
from typing import Annotated, Final, Literal

import msgspec

from faultml.care.check import Amount, Demands
from faultml.care.rules import CareRules, Load, load_care
from faultml.coaching import stations
from faultml.coaching.place import OwnNumbers, place
from faultml.coaching.window import AnyWindow, SpreadWindow, Window
from faultml.errors import CatalogueError, InputError
from faultml.rules_file import Count, Record, Share, digest, load_data

Phase = Literal["setup", "takeaway", "top", "transition", "downswing", "impact", "release", "whole"]
Text = Annotated[str, msgspec.Meta(min_length=3)]
Steps = Annotated[tuple[Text, ...], msgspec.Meta(min_length=2)]

REHEARSAL_NAMES: Final = {
    1.0: "every rehearsal",
    0.5: "every second one",
    0.25: "every fourth one",
    0.0: "none",
}


class Feedback(Record, frozen=True):
    """What tells the player of leaving the window, and on which share of each set's rehearsals it may."""

    signal: Text
    fade: tuple[Share, ...]


class Dose(Record, frozen=True):
    """How much to do on one day, and on how many days a week."""

    sets: Count
    reps: Count
    full_speed: Annotated[int, msgspec.Meta(ge=0)]
    days_a_week: Annotated[int, msgspec.Meta(gt=0, le=7)]

    @property
    def amount(self) -> Amount:
        """How much on one day."""
        return Amount(self.sets, self.reps, self.full_speed)

    def words(self, allowed: Amount) -> str:
        """The dose in words, with as much of it as care allows."""
        return f"{allowed}, {self.days_a_week} days a week"

    def __str__(self) -> str:
        return self.words(self.amount)


class Retest(Record, frozen=True):
    """What shows that it worked: so many of ten swings inside, on a later day, without feedback."""

    inside: Annotated[int, msgspec.Meta(gt=0)]
    of: Literal[10] = 10
    after_days: Count = 7

    @property
    def share(self) -> float:
        """The share of swings that must lie inside."""
        return self.inside / self.of

    def __str__(self) -> str:
        return f"{self.inside} of {self.of} swings inside the corridor, on a later day, without feedback"


class Drill(Record, frozen=True):
    """One drill.

    `check` is a reference outside the body that a player alone can see, hear or touch. `window` says what
    the swing has to do, and `trains` what the drill works on where that is not the angle of the window ("" where it
    is). `rehearsal` names the stops by which a
    sensor follows a repetition. `when` names the setup warning without which the drill is not offered ("" for
    always). `strikes` says whether the club meets ground or ball, so that a player who hits fat is kept off
    hard mats.
    """

    id: str
    name: Text
    aim: Text
    phase: Phase
    level: Literal["any", "experienced"]
    equipment: tuple[str, ...]
    without_ball: Steps
    with_ball: Steps
    check: Text
    window: AnyWindow
    rehearsal: stations.Rehearsal
    feedback: Feedback
    dose: Dose
    retest: Retest
    loads: tuple[Load, ...]
    strikes: bool
    surface: Text
    stop: Text
    evidence: Literal["low: by mechanism"]
    when: Literal["", "address-extension-high", "address-extension-low"] = ""
    trains: str = ""

    @property
    def demands(self) -> Demands:
        """What the care check has to know of the drill."""
        return Demands(self.loads, self.level, self.dose.amount, self.strikes, self.phase)

    @property
    def sentences(self) -> tuple[str, ...]:
        """Everything the player is asked to do."""
        return (
            self.aim,
            *self.without_ball,
            *self.with_ball,
            self.check,
            self.feedback.signal,
            self.surface,
            *([self.trains] if self.trains else []),
            *([self.rehearsal.adds] if self.rehearsal.adds else []),
        )

    @property
    def feedback_plan(self) -> str:
        """When feedback is given, set by set."""
        sets = [
            f"set {number}: {REHEARSAL_NAMES[share]}" for number, share in enumerate(self.feedback.fade, 1)
        ]
        only = "" if isinstance(self.window, SpreadWindow) else "Only outside the window. "
        return f"{only}{self.feedback.signal} {'; '.join(sets).capitalize()}."


class _BookFile(Record, frozen=True):
    schema: Literal[1]
    drill: tuple[Drill, ...]


class DrillBook:
    """All drills by id, in the order of the book."""

    def __init__(self, file: _BookFile, care: CareRules) -> None:
        self.drills = file.drill
        self._file = file
        problems = [problem for drill in self.drills for problem in _problems(drill, care)]
        if len(self._by_id) != len(self.drills):
            problems.append("a drill id stands twice")
        if problems:
            raise CatalogueError(
                "bad-drill",
                where="drills.toml",
                expected="drills inside the rules of care",
                found="; ".join(problems),
            )

    @cached_property
    def _by_id(self) -> dict[str, Drill]:
        return {drill.id: drill for drill in self.drills}

    def __getitem__(self, drill_id: str) -> Drill:
        return self._by_id[drill_id]

    def find(self, written: str) -> Drill | tuple[str, ...]:
        """The drill of an id or a name in any case and spacing; else the ids of those spelt nearly so."""
        by_key = {name_key(drill.name): drill for drill in self.drills} | {
            name_key(drill.id): drill for drill in self.drills
        }
        found = by_key.get(name_key(written))
        if found is not None:
            return found
        near = get_close_matches(name_key(written), list(by_key), 3, 0.5)
        return tuple(dict.fromkeys(by_key[key].id for key in near))

    def named(self, written: str, *, where: str) -> Drill:
        """The drill of an id or a name; raises `InputError` (``bad-drill``) with those spelt nearly so."""
        found = self.find(written)
        if isinstance(found, Drill):
            return found
        meant = f"; {', '.join(found)}?" if found else ""
        expected = f"a drill of the book: see faultml catalogue{meant}"
        raise InputError("bad-drill", where=where, expected=expected, found=repr(written))

    def __contains__(self, drill_id: object) -> bool:
        return drill_id in self._by_id

    def __len__(self) -> int:
        return len(self.drills)

    @cached_property
    def digest(self) -> str:
        """SHA-256 over the book's content."""
        return digest(self._file)


@lru_cache(maxsize=1)
def load_book() -> DrillBook:
    """The drill book of the package; raises `CatalogueError` listing everything wrong with it."""
    return DrillBook(load_data(__package__, "drills.toml", _BookFile), load_care())


def name_key(written: str) -> str:
    """Small letters and digits alone, words parted by single spaces."""
    return " ".join(re.findall(r"[a-z0-9]+", written.casefold()))


def _problems(drill: Drill, care: CareRules) -> list[str]:
    """What care or the schema's own promises find wrong with a drill."""
    found: list[str] = []
    placed = place(drill.window, OwnNumbers(care.reference_setup), care.limits)
    if not placed.usable:
        found.append("its window has no room inside the limits on the reference setup")
    if placed.clipped and isinstance(drill.window, Window) and drill.window.must == "reach":
        found.append("its window asks for an angle beyond the limits on the reference setup")
    if drill.dose.amount.rehearsals > care.dose.rehearsals or drill.dose.full_speed > care.dose.full_speed:
        found.append("its dose is over the day's limit")
    found += stations.problems_of(drill.window, drill.rehearsal)
    fade = drill.feedback.fade
    if len(fade) != drill.dose.sets or list(fade) != sorted(fade, reverse=True) or fade[-1] != 0:
        found.append("its feedback does not fade to none over the sets")
    if not set(fade) <= set(REHEARSAL_NAMES):
        found.append(f"its feedback uses a share other than {', '.join(map(str, REHEARSAL_NAMES))}")
    banned = [
        word
        for word in care.words.never_in_cues
        if re.search(rf"\b{word}", " ".join(drill.sentences), re.IGNORECASE)
    ]
    if banned:
        found.append(f"a cue says {', '.join(banned)}")
    if care.words.stop not in drill.stop.casefold():
        found.append(f"it does not say {care.words.stop!r}")
    return [f"{drill.id}: {problem}" for problem in found]
