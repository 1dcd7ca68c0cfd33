"""Words of column names and preambles (`words.toml`), and how a name is taken apart."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from functools import cached_property, lru_cache
from typing import Final, Literal

import msgspec

from faultml.rules_file import load_data

AngleName = Literal["flexion", "ulnar", "pronation"]

_BRACKETS = re.compile(r"[\[({]([^\])}]*)[\])}]")
_CAMEL = re.compile(r"(?<=[a-z0-9])(?=[A-Z])|(?<=[A-Za-z])(?=[0-9])|(?<=[0-9])(?=[A-Za-z])")
_TOKEN: Final = re.compile(r"[^\W_]+|[°µμ]\w*")


class AngleWords(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Words for one angle: for its first direction (ours), its second, and for the angle whichever way."""

    first: frozenset[str]
    second: frozenset[str]
    either: frozenset[str]

    @property
    def all(self) -> frozenset[str]:
        """Every word for the angle."""
        return self.first | self.second | self.either


class NameWords(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Words for everything else that a column or a line above the table may tell."""

    time: frozenset[str]
    samples: frozenset[str]
    player: frozenset[str]
    session: frozenset[str]
    swing: frozenset[str]
    hand: frozenset[str]
    arm: frozenset[str]
    club: frozenset[str]
    contact: frozenset[str]
    event: frozenset[str]
    acceleration: frozenset[str]
    angular_rate: frozenset[str]
    norm: frozenset[str]
    other_joint: frozenset[str]
    wrist: frozenset[str]
    segment_turn: frozenset[str]
    not_an_angle: frozenset[str]
    forearm: frozenset[str]
    hand_segment: frozenset[str]
    upper_arm: frozenset[str]
    left: frozenset[str]
    right: frozenset[str]
    lead: frozenset[str]
    trail: frozenset[str]


class Words(msgspec.Struct, frozen=True, forbid_unknown_fields=True, dict=True):
    """`words.toml`."""

    angles: dict[AngleName, AngleWords]
    names: NameWords
    units: dict[str, frozenset[str]]

    @cached_property
    def unit_of(self) -> dict[str, str]:
        """A unit by each of its words."""
        return {word: unit for unit, words in self.units.items() for word in words}


@lru_cache(maxsize=1)
def load_words() -> Words:
    """The table of words."""
    return load_data(__package__, "words.toml", Words)


def tokens(name: str) -> list[str]:
    """The words of a name in lower case, without accents; units in brackets among them."""
    plain = unicodedata.normalize("NFKD", _CAMEL.sub(" ", name.replace("µ", "u").replace("μ", "u")))
    plain = "".join(letter for letter in plain if not unicodedata.combining(letter))
    return [token.casefold() for token in _TOKEN.findall(plain)]


def unit_in(name: str, wanted: Iterable[str], unit_cell: str = "") -> str:
    """The unit that a name or the cell below it tells, of those wanted; "" where none does, or two do."""
    unit_of = load_words().unit_of
    written = [*_BRACKETS.findall(name), unit_cell]
    units = {unit_of.get(text.strip().casefold(), "") for text in written}
    words = tokens(name)
    # Without brackets only a last word is a unit, and none of one letter but after another word.
    if (words and len(words) > 1) or (words and len(words[0]) > 1):
        units.add(unit_of.get(words[-1], ""))
    found = units & set(wanted)
    return found.pop() if len(found) == 1 else ""


def side_in(words: Iterable[str]) -> str:
    """``left``, ``right``, ``lead`` or ``trail`` where the words tell one of them, else ""."""
    names = load_words().names
    sides = {side for side in ("left", "right", "lead", "trail") if set(words) & getattr(names, side)}
    return sides.pop() if len(sides) == 1 else ""
