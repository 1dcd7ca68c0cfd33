"""What would be read of a drop, in words, before anything is."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from faultml.desk.asking import WORDS
from faultml.desk.consequences import DIRECTIONS
from faultml.desk.plain_words import error_words
from faultml.drawings.words import CHANNEL_NAMES, degrees
from faultml.errors import FaultmlError, InputError
from faultml.importing.layout import Layout
from faultml.importing.pattern import parse_pattern
from faultml.importing.propose.check import Check, check_layout
from faultml.importing.propose.source import Guess
from faultml.recordings.findings import findings
from faultml.report.text import count, listed, shown

MAX_NAMED: Final = 6
_LABELS: Final = {
    "time.column": "The time stands in",
    "time.unit": "Time is counted in",
    "time.rate_hz": "Samples a second:",
    "time.format": "Dates are written",
    "ids.player": "The player is",
    "ids.session": "The session is",
    "ids.swing": "The swing is",
    "swings.split": "As to swings:",
    "swings.gap_s": "The shortest pause between swings, in seconds, is",
    "worn.arm": "The recorder was worn on",
    "worn.hand": "The player plays",
    "file.missing": "A lost sample is written as",
    "contact.event_column": "Contact with the ball is marked in",
    "contact.time_column": "The time of contact stands in",
    "orientation.frame": "The orientations turn",
    "orientation.scale": "The orientations' length is",
}
_ENDS: Final = {
    "column": "stands in",
    "unit": "is written in",
    "positive": "rises when",
    "straight": "is straight at",
}
_ANGLES: Final = {"flexion": "Wrist bend", "ulnar": "Wrist hinge", "pronation": "Forearm roll"}
_UNITS: Final = {"deg": "degrees", "rad": "radians"}


def concluded_line(guess: Guess) -> str:
    """Something that was concluded from the file, with what it rests on."""
    *folders, last = guess.path.split(".")
    if guess.path == "ids.pattern":
        return f"From the files' names: {guess.reason}."
    value = _value_words(guess.value)
    if folders[:1] == ["angles"] and last in _ENDS:
        says = f"{_ANGLES[folders[-1]]} {_ENDS[last]} {value}"
    else:
        says = f"{_LABELS.get(guess.path, last.replace('_', ' ').capitalize() + ':')} {value}"
    return f"{says}; {guess.reason}."


def check_lines(check: Check) -> list[str]:
    """What a layout would read of the first file, in words."""
    lines = [f"{count(check.swings, 'swing')} found in the first file."]
    named = [
        f"{key} {check.first[key]}" for key in ("player", "session", "swing", "hand") if check.first.get(key)
    ]
    if named:
        lines.append(f"The first: {shown(', '.join(named))}; {check.first.get('rate_hz')} samples a second.")
    for name, (low, high) in check.ranges_deg.items():
        sign_words = check.signs.get(name, "no full swing to judge its sign by")
        lines.append(
            f"{CHANNEL_NAMES[name].capitalize()} from {degrees(low)} to {degrees(high)}: {sign_words}."
        )
    known = findings()
    for each in check.problems[:MAX_NAMED]:
        words = known[each.code].words if each.code in known else "a problem"
        lines.append(f"{words.capitalize()}: expected {each.expected}, found {shown(each.found)}.")
    return lines


def misfit_lines(layout: Layout, layout_path: Path, files: Sequence[Path]) -> list[str]:
    """Files that the layout does not read, as `left_out_lines` says it."""
    out = []
    for path in files:
        try:
            check = check_layout(layout, layout_path, path)
        except (FaultmlError, OSError, ValueError) as error:
            out.append((path, error_words(error)))
            continue
        if not check.swings:
            problem = next(iter(check.problems), None)
            says = (
                f"expected {problem.expected}, found {shown(problem.found)}" if problem else "no swing in it"
            )
            out.append((path, says))
    return left_out_lines(layout, out)


def left_out_lines(layout: Layout, files: Sequence[tuple[Path, str]]) -> list[str]:
    """Files that are left out, each with why: a line for each player and reason."""
    grouped: dict[tuple[str, str], list[str]] = {}
    for path, why in files:
        grouped.setdefault((_player_of(layout, path), why), []).append(shown(path.name))
    lines = []
    for (player, why), names in grouped.items():
        whose = f" of {shown(player)}" if player else ""
        more = [f"{len(names) - MAX_NAMED} more"] if len(names) > MAX_NAMED else []
        which = listed([*names[:MAX_NAMED], *more])
        lines.append(f"Left out: {count(len(names), 'file')}{whose}: {why} ({which}).")
    return lines


def _player_of(layout: Layout, path: Path) -> str:
    """Whose file it is, where its name or the layout says so."""
    if isinstance(layout.ids.player, str):
        return layout.ids.player
    try:
        return parse_pattern(layout.ids.pattern).read(path).get("player", "") if layout.ids.pattern else ""
    except InputError:
        return ""


def _value_words(value: object) -> str:
    if isinstance(value, dict):
        if "above" in value:
            return f"what stands above the table behind {shown(value['above'])}"
        return f"column {shown(value.get('column', ''))}"
    if isinstance(value, list | tuple):
        return ", ".join(shown(each) for each in value)
    text = str(value)
    return DIRECTIONS.get(text) or _UNITS.get(text) or WORDS.get(text) or shown(text)
