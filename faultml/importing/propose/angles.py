"""Guess the angle columns: which they are, in which unit, and what their positive values mean.

The swing itself tells the signs of ulnar deviation and pronation (`faultml.importing.propose.motion`); of generated
swings, one in a thousand is guessed wrong that way. Flexion's sign is taken from a name that says it, and only if the
address does not speak against it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.importing.layout import POSITIVE
from faultml.importing.propose.motion import Moves, backswing_direction
from faultml.importing.propose.source import Doubt, Guess, Source, open_guess
from faultml.importing.propose.words import AngleName, load_words, side_in, tokens, unit_in

Array = NDArray[np.float64]

ANGLES: Final[tuple[AngleName, ...]] = ("flexion", "ulnar", "pronation")
DEGREES_SPAN: Final = 12.0
"""A full swing takes every angle of a wrist through more degrees than this."""
RADIANS_SIZE: Final = 3.3
RADIANS_SPAN: Final = (0.25, 6.3)
DEGREES_SIZE: Final = 400.0
STRAIGHT_DEG: Final = (140.0, 220.0)
"""Where an angle stands that is 180 with the wrist straight; practice, no source."""
FAINT_DEG: Final = 3.0
ADDRESS_DEG: Final = 8.0
"""Lead wrists mostly stand 10 to 30 degrees extended at address (common practice): beyond this, a start is a hint."""

_BACK_MEANS: Final = {"ulnar": (-1, "hinges"), "pronation": (1, "rolls open")}
"""Which way the angle of our sign goes in the backswing, and what that is called."""

_LOOK_FOR: Final = {
    "flexion": "Let the player bow the wrist, palm toward forearm: does the number rise (flexion) or fall (extension)?",
    "ulnar": "Let the player hinge the wrist, thumb toward forearm: does the number rise (radial) or fall (ulnar)?",
    "pronation": "Let the player turn the palm down: does the number rise (pronation) or fall (supination)?",
}


@dataclass(frozen=True)
class Found:
    """The angle columns that were chosen; `side` is what their names say of the arm, `both` whether there are two."""

    columns: dict[AngleName, str] = field(default_factory=dict)
    side: str = ""
    both: bool = False
    guesses: list[Guess] = field(default_factory=list)


def find_angles(source: Source, hand: str) -> Found:
    """The columns of the wrist's angles by the words of their names.

    Parameters
    ----------
    hand
        The golfer's hand where the file tells it: of two arms, the lead one is taken.
    """
    turns = _segment_turns(source)
    of_angle = {name: _candidates(source, name, turns) for name in ANGLES}
    sides = {_side(source, column) for columns in of_angle.values() for column in columns} - {""}
    lead = {"right": "left", "left": "right"}.get(hand, "")
    side = next((each for each in ("lead", lead, "left", "right", "trail") if each in sides), "")
    columns: dict[AngleName, str] = {}
    guesses = []
    for name, found in of_angle.items():
        on_side = [column for column in found if _side(source, column) in (side, "")] if side else found
        exact = [
            column for column in on_side if set(tokens(source.titles[column])) & load_words().names.wrist
        ]
        fitting = exact or on_side
        path = f"angles.{name}.column"
        if len(fitting) == 1:
            columns[name] = fitting[0]
            guesses.append(Guess(path, fitting[0], "sure", "by the words of its name"))
        elif fitting:
            why = f"several could be it: {', '.join(fitting)}"
            guesses.append(open_guess(path, why, f"Which column holds {_called(name)}?"))
        elif turns:
            guesses.append(_ask_turns(path, name, turns))
        elif name != "pronation":
            guesses.append(open_guess(path, "no name says so", f"Which column holds {_called(name)}?"))
    return Found(columns, side, len(sides & {"left", "right"}) == 2, guesses)


def _segment_turns(source: Source) -> list[str]:
    """Columns of roll, pitch and yaw that stand together: the turning of one segment in space, and of no joint."""
    groups: dict[frozenset[str], dict[str, str]] = {}
    for column in source.numbers:
        words = set(tokens(source.titles[column]))
        turned = words & load_words().names.segment_turn
        if len(turned) == 1:
            groups.setdefault(frozenset(words - turned), {})[turned.pop()] = column
    return [column for group in groups.values() if len(group) > 1 for column in group.values()]


def _ask_turns(path: str, name: AngleName, turns: list[str]) -> Guess:
    why = f"{', '.join(turns)} are the turning of one segment in space, and no joint's angles"
    question = f"Does another column hold {_called(name)}? Roll, pitch and yaw of one segment do not tell it."
    if name == "pronation":
        question += " Without one leave [angles.pronation] out."
    return open_guess(path, why, question)


def _called(name: AngleName) -> str:
    return {
        "flexion": "flexion/extension of the wrist",
        "ulnar": "ulnar/radial deviation of the wrist",
        "pronation": "the forearm's rotation",
    }[name]


def _side(source: Source, column: str) -> str:
    return side_in(tokens(source.titles[column]))


def _candidates(source: Source, name: AngleName, turns: list[str]) -> list[str]:
    words = load_words()
    titles = {column: set(tokens(source.titles[column])) for column in source.numbers}
    found = []
    for column, title in titles.items():
        others = [each for each in ANGLES if each != name and title & words.angles[each].all]
        if (
            not title & words.angles[name].all
            or title & words.names.not_an_angle
            or "/s" in source.titles[column]
        ):
            continue
        if title & words.names.other_joint - ({"arm"} if title & words.names.wrist else set()):
            continue
        if column in turns:
            continue
        if (
            others
            and name == "pronation"
            and not title & (words.angles[name].first | words.angles[name].second)
        ):
            continue  # "rotation" and the like beside a word that says more
        found.append(column)
    return found


def guess_units(source: Source, found: Found) -> tuple[dict[AngleName, str], list[Guess]]:
    """The unit of each angle (``deg``, ``rad`` or ``?``), by what the file says and by how far a swing goes."""
    units: dict[AngleName, str] = {}
    guesses = []
    by_size = {name: _unit_by_size(source.numbers[column]) for name, column in found.columns.items()}
    clear = {unit for unit in by_size.values() if unit}
    for name, column in found.columns.items():
        path = f"angles.{name}.unit"
        stated = unit_in(source.titles[column], ("deg", "rad"), source.units.get(column, ""))
        size = by_size[name] or (next(iter(clear)) if len(clear) == 1 else "")
        mixed = len(clear) == 2 and not stated
        values = source.numbers[column]
        span = f"it goes from {np.nanmin(values):.3g} to {np.nanmax(values):.3g}"
        question = f"Is {column!r} in degrees (deg) or radians (rad)?"
        if source.angle_unit and not stated:
            units[name] = source.angle_unit
            guesses.append(Guess(path, "file", "sure", f"the file's header says {source.angle_unit}; {span}"))
        elif mixed:
            guesses.append(open_guess(path, f"{span}, and the angles do not seem to share a unit", question))
        elif stated and size and stated != by_size[name] and by_size[name]:
            guesses.append(open_guess(path, f"the name says {stated}, but {span}", question))
        elif stated:
            units[name] = stated
            guesses.append(Guess(path, stated, "sure", f"the file says so; {span}"))
        elif size:
            units[name] = size
            guesses.append(Guess(path, size, "likely", f"{span}; nothing in the file names a unit"))
        else:
            guesses.append(open_guess(path, f"{span}, which fits neither", question))
    for name, unit in units.items():
        middle = float(np.nanmedian(source.numbers[found.columns[name]])) * (
            1 if unit == "deg" else 180 / np.pi
        )
        if name != "pronation" and STRAIGHT_DEG[0] <= abs(middle) <= STRAIGHT_DEG[1]:
            question = f"What does {found.columns[name]!r} read with the wrist straight: 180, or 0?"
            why = f"it stands about {middle:.0f} degrees, as a goniometer does that reads 180 with the wrist straight"
            guesses.append(open_guess(f"angles.{name}.straight", why, question))
    return units, guesses


def _unit_by_size(values: Array) -> str:
    finite = values[np.isfinite(values)]
    if len(finite) < 5:
        return ""
    low, high = np.percentile(finite, [0.2, 99.8])
    size, span = max(abs(low), abs(high)), high - low
    if span >= DEGREES_SPAN and size <= DEGREES_SIZE:
        return "deg"
    if size <= RADIANS_SIZE and RADIANS_SPAN[0] <= span <= RADIANS_SPAN[1]:
        return "rad"
    return ""


def guess_signs(source: Source, found: Found, moves: Moves, order: list[AngleName]) -> Iterator[Guess]:
    """What positive means in each column; `moves` has the channels of `order`, in degrees."""
    for name, column in found.columns.items():
        named = _named_direction(source, name, column)
        channel = order.index(name) if name in order and len(moves) else None
        if name == "flexion":
            yield _flexion_sign(column, named, moves, channel)
        else:
            yield _swing_sign(name, column, named, moves, channel)


def _named_direction(source: Source, name: AngleName, column: str) -> str:
    """The direction that a column's name says, in the words of a layout, else ""."""
    words, title = load_words().angles[name], set(tokens(source.titles[column]))
    stated = (bool(title & words.first), bool(title & words.second))
    return {(True, False): POSITIVE[name][0], (False, True): POSITIVE[name][1]}.get(stated, "")


def _swing_sign(name: AngleName, column: str, named: str, moves: Moves, channel: int | None) -> Guess:
    path = f"angles.{name}.positive"
    way, called = _BACK_MEANS[name]
    shown, evidence = "", "no swing was found that shows it"
    if channel is not None:
        seen = backswing_direction(moves, channel)
        middle = float(np.median(moves.back_deg[:, channel]))
        evidence = (
            f"going back it {'rises' if middle > 0 else 'falls'} ({middle:+.0f} degrees from the start, in "
            f"{seen.agreeing} of {seen.swings} swings clearly), where a lead wrist {called}"
        )
        # Against a name even a faint sign counts: then it is the coach's to say.
        faint = int(np.sign(middle)) if named and abs(middle) > FAINT_DEG else 0
        if seen.sign or faint:
            shown = POSITIVE[name][0] if (seen.sign or faint) == way else POSITIVE[name][1]
    return _decide(path, column, name, named, shown, evidence)


def _flexion_sign(column: str, named: str, moves: Moves, channel: int | None) -> Guess:
    path = "angles.flexion.positive"
    shown, evidence = "", "a swing alone does not tell flexion's sign"
    if channel is not None:
        start = float(np.median(moves.start_deg[:, channel]))
        evidence = f"swings begin at {start:+.0f} degrees; lead wrists mostly stand extended at address"
        if abs(start) > ADDRESS_DEG:
            shown = "flexion" if start < 0 else "extension"
            evidence += f", so positive would be {shown}"
        else:
            evidence += ", and this tells nothing"
    if named:
        return _decide(path, column, "flexion", named, shown, evidence)
    return open_guess(path, f"the name does not say; {evidence}", f"{column!r}: {_LOOK_FOR['flexion']}")


def _decide(path: str, column: str, name: AngleName, named: str, shown: str, evidence: str) -> Guess:
    if named and shown and named != shown:
        return open_guess(path, f"the name says {named}, but {evidence}", f"{column!r}: {_LOOK_FOR[name]}")
    value = named or shown
    if not value:
        return open_guess(path, f"the name does not say; {evidence}", f"{column!r}: {_LOOK_FOR[name]}")
    doubt: Doubt = "sure" if named and shown else "likely"
    return Guess(path, value, doubt, f"the name says so; {evidence}" if named else evidence)
