"""What the ranking has to know of the lessons before: the drill a player is on, and what is over."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import msgspec

from faultml.coaching.ranking import DrillOption
from faultml.rules_file import Record

CARRY_ON: Final = "carry-on"
"""Why a drill stands first that the player is on: code of its note."""
TRIED: Final = "tried-without-gain"
"""Why a drill is not given that the player was on: code of the reason."""
FINISHED: Final = "seldom-shows-now"
"""Why there is no drill where everything flagged was worked on and is done: code of the reason."""
GIVEN_SINCE: Final = "given-since"
"""Code of the note that a drill was given after the season was classified."""


class Lesson(Record, frozen=True):
    """What the plan says of one player before drills are ranked.

    Attributes
    ----------
    drill, fault, given
        The drill the player is on, for which fault, and since which day (ISO date); "" where there is none.
    next_check
        From when on the re-test of that drill is wanted (ISO date), "" where that is not known.
    tried
        Drills, each with its fault, that were to be changed: they brought nothing, or it got worse.
    finished
        Faults that are done: they seldom show now.
    """

    drill: str = ""
    fault: str = ""
    given: str = ""
    next_check: str = ""
    tried: tuple[tuple[str, str], ...] = ()
    finished: tuple[str, ...] = ()


def carried_on(options: Sequence[DrillOption], drill: str, reserves: int) -> list[DrillOption]:
    """Options with the drill the player is on in first place; what was picked before it goes into reserve."""
    own = next((option for option in options if option.drill == drill), None)
    own = own or DrillOption(drill=drill, rank=0, status="left", why="", benefit=0.0, parts=())
    first = msgspec.structs.replace(own, rank=1, status="picked", why=CARRY_ON)
    others = [option for option in options if option.drill != drill]
    picked = [option for option in others if option.status == "picked"]
    kept = [msgspec.structs.replace(each, rank=rank) for rank, each in enumerate(picked[:reserves], 2)]
    dropped = [msgspec.structs.replace(each, rank=0, status="left") for each in picked[reserves:]]
    rest = [option for option in others if option.status != "picked"]
    return [first, *kept, *sorted([*dropped, *rest], key=lambda option: -option.benefit)]
