"""Words of the page: numbers as a coach reads them, and the phrases kept as data in text.toml."""

from __future__ import annotations

import math
import re
import unicodedata
from functools import lru_cache
from typing import Final, Literal

from faultml.drawings.words import CHANNEL_ENDS as CHANNEL_ENDS
from faultml.drawings.words import CHANNEL_NAMES as CHANNEL_NAMES
from faultml.drawings.words import degrees as degrees
from faultml.faults.catalogue import Fault, Measure, Position, parse_position
from faultml.rules_file import Record, load_data

LONGEST_ID: Final = 60
_SIDE: Final = re.compile(r"\b(right|left)\b")


class Often(Record, frozen=True):
    """From which share on a fault is said to show this often."""

    least: float
    words: str


class Part(Record, frozen=True):
    """A part of the swing, sound when none of its faults shows."""

    name: str
    faults: tuple[str, ...]


class Limits(Record, frozen=True):
    """Sentences about what the page does not know."""

    not_seen: str
    no_roll: str
    probability: str
    edges: str
    closure: str
    phases: str


class Words(Record, frozen=True):
    """The content of text.toml."""

    schema: Literal[1]
    clause: dict[str, str]
    often: tuple[Often, ...]
    part: tuple[Part, ...]
    side: dict[str, str]
    trend: dict[str, str]
    warning: dict[str, str]
    limits: Limits


@lru_cache(maxsize=1)
def load_words() -> Words:
    """The phrases of the package; raises `CatalogueError` where the file does not fit its schema."""
    return load_data(__package__, "text.toml", Words)


def shown(text: object) -> str:
    """Text of the input, fit to be seen: no control or direction-changing characters, not endless."""
    plain = "".join(
        "\ufffd" if unicodedata.category(char) in {"Cc", "Cf", "Cs", "Co"} else char for char in str(text)
    )
    return plain if len(plain) <= LONGEST_ID else plain[: LONGEST_ID - 1] + "…"


def size(value: float | None, unit: str) -> str:
    """How large, without a sign: ``9°``, or ``0.06 of the downswing``."""
    if value is None or not math.isfinite(value):
        return "–"
    return f"{value:.0f}°" if unit == "deg" else f"{value:.2f} of the downswing"


def reading(value: float | None, unit: str) -> str:
    """A measure or an edge: ``+25°``, or ``50 % of the downswing`` for a moment of it."""
    if unit == "deg" or value is None or not math.isfinite(value):
        return degrees(value)
    return f"{percent(value)} of the downswing"


def shown_reading(fault: Fault, value: float) -> str:
    """A reading of the fault's measure as pages show it."""
    return reading(fault.measure.shown_sign * value, fault.unit)


def hand_words(fault: Fault, value: float) -> str:
    """The reading with what the hand does: ``−6° (rolled closed)``; a moment is earlier or later by itself."""
    said = shown_reading(fault, value)
    shown_deg = fault.measure.shown_sign * value
    if fault.unit != "deg" or not math.isfinite(value) or round(value) == 0:
        return said
    low, high = CHANNEL_ENDS[fault.measure.channel]
    if fault.measure.stat == "drop":
        return f"{said} (toward {low})"
    return f"{said} ({high if shown_deg > 0 else low})"


def percent(share: float | None) -> str:
    """``62 %``; a dash where there is no number."""
    return "–" if share is None or not math.isfinite(share) else f"{share * 100:.0f} %"


def interval(lo: float, hi: float) -> str:
    """``50–73``, percent."""
    return f"{lo * 100:.0f}–{hi * 100:.0f}"


def plus_minus(value: float, unit: str) -> str:
    """`` ± 3``, degrees or hundredths of the downswing; nothing where the spread is not known or too small to show."""
    shown_value = value if unit == "deg" else 100 * value
    return f" ± {shown_value:.0f}" if math.isfinite(value) and round(shown_value) > 0 else ""


def spread(value: float, unit: str) -> str:
    """How far swings differ: ``6°``, or ``8 % of the downswing``; ``less than`` one where it rounds to nothing."""
    shown_value, of = (value, "°") if unit == "deg" else (100 * value, " % of the downswing")
    return f"{'less than 1' if shown_value < 0.5 else f'{shown_value:.0f}'}{of}"


def often(share: float) -> str:
    """The word for how often."""
    return next(step.words for step in load_words().often if share >= step.least)


def count(number: int, noun: str) -> str:
    """``1 swing``, ``12,000 swings``."""
    return f"{number:,} {noun}{'' if number == 1 else 's'}"


def listed(items: list[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    return " and ".join([", ".join(items[:-1]), items[-1]] if len(items) > 1 else items)


def handed(words: str) -> str:
    """The catalogue's right and left, said of a right-handed golfer, with a left-hander's beside each."""
    sides = load_words().side
    return _SIDE.sub(lambda found: f"{found[0]} (left-hander: {sides[found[0]]})", words)


def moment(position: Position) -> str:
    """A moment of the swing in words."""
    phase, fraction = position
    if (phase, fraction) in {("b", 1.0), ("d", 0.0)}:
        return "the top"
    if (phase, fraction) == ("d", 1.0):
        return "impact"
    where = {"b": "of the backswing", "d": "of the downswing", "f": "of a downswing's time after impact"}[
        phase
    ]
    return f"{fraction * 100:.0f} % {where}"


def measure_words(measure: Measure) -> str:
    """What is read off the swing for a fault, in words."""
    channel = CHANNEL_NAMES[measure.channel]
    first, last = (moment(position) for position in measure.span)
    match measure.stat:
        case "at":
            return f"{channel} at {first}"
        case "max" | "min":
            low, high = CHANNEL_ENDS[measure.channel]
            return (
                f"{channel} where it is most {high if measure.stat == 'max' else low}, {_span(*measure.span)}"
            )
        case "drop":
            return f"how far the {channel} falls from {first} to its lowest by {last}"
        case "change" if measure.shown_sign < 0:
            return f"change of {channel} from {last} to {first}"
        case "change":
            return f"change of {channel} from {first} to {last}"
        case "release":
            return f"share of the downswing gone when {measure.share * 100:.0f} % of the hinge is spent"


def edge_words(fault: Fault, edge: float) -> str:
    """When the fault is present: ``above +25°``, turned round with `Measure.shown_sign`."""
    turned = {"above": "below", "below": "above"}
    side = fault.side if fault.measure.shown_sign > 0 else turned[fault.side]
    return f"{side} {shown_reading(fault, edge)}"


def span_words(start: str, end: str) -> str:
    """A stretch of the catalogue such as ``"b0.2"`` to ``"b0.6"`` in words."""
    return _span(parse_position(start), parse_position(end))


def _span(first: Position, last: Position) -> str:
    if first.phase == last.phase and moment(first)[0].isdigit() and moment(last)[0].isdigit():
        return f"{first.fraction * 100:.0f} to {moment(last)}"
    return f"{moment(first)} to {moment(last)}"
