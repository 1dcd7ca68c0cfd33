"""Rows of the roster about pain that fit nobody recorded: whom they hold until somebody says whose they are.

A mistyped letter must not lose pain: such a row holds every player without a row of their own, and those with one
whose names are spelt nearly alike.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection, Iterable
from difflib import SequenceMatcher
from typing import Final

_LIKE: Final = 0.85
"""Share of letters in common from which longer names are near."""
_LIKE_DIGITS: Final = str.maketrans("oilzsb", "011258")
"""Letters that are read as digits, in a name that holds digits."""


def holds(
    strangers: Iterable[str], players: Iterable[str], rowless: Collection[str]
) -> dict[str, tuple[str, ...]]:
    """Player -> the names of rows that hold the player.

    Parameters
    ----------
    strangers
        Names of rows about pain that fit nobody recorded and were not released.
    players
        Everybody recorded.
    rowless
        Those of them without a row in the roster.
    """
    open_names = sorted(set(strangers))
    found = {
        player: tuple(name for name in open_names if player in rowless or near(name, player))
        for player in players
    }
    return {player: names for player, names in found.items() if names}


def same(first: str, second: str) -> bool:
    """Whether two names differ in case, accents, spaces and punctuation at most."""
    return _plain(first).replace(" ", "") == _plain(second).replace(" ", "")


def near(first: str, second: str) -> bool:
    """Whether two names may be spellings of one.

    They differ by a letter, by two that are swapped, or share nearly all of their letters; all words of one are words
    of the other; or they hold the same number, however many zeros and letters that look like digits it is written with.
    """
    one, other = _plain(first), _plain(second)
    words = set(one.split()), set(other.split())
    if one == other or (all(words) and (words[0] <= words[1] or words[1] <= words[0])):
        return True
    if _same_number(one.replace(" ", ""), other.replace(" ", "")):
        return True
    one, other = one.replace(" ", ""), other.replace(" ", "")
    return _one_letter(one, other) or SequenceMatcher(None, one, other, autojunk=False).ratio() >= _LIKE


def _same_number(one: str, other: str) -> bool:
    """Whether both hold digits, the same numbers but for zeros before them; letters before them may be left out."""
    if not (any(map(str.isdecimal, one)) and any(map(str.isdecimal, other))):
        return False
    written = (_parts(one), _parts(other))
    read = (_parts(one.translate(_LIKE_DIGITS)), _parts(other.translate(_LIKE_DIGITS)))
    return any(
        numbers == others and rest == left and (before in first or first in before)
        for (numbers, (before, *rest)), (others, (first, *left)) in (written, read)
    )


def _parts(name: str) -> tuple[list[int], list[str]]:
    """The numbers of a name, and the letters before, between and after them."""
    return [int(part) for part in re.findall(r"\d+", name)], re.split(r"\d+", name)


def _one_letter(one: str, other: str) -> bool:
    """Whether one letter added, left out, changed or swapped with its neighbour makes one name the other."""
    start = 0
    while start < min(len(one), len(other)) and one[start] == other[start]:
        start += 1
    one, other = one[start:], other[start:]
    end = 0
    while end < min(len(one), len(other)) and one[-1 - end] == other[-1 - end]:
        end += 1
    one, other = one[: len(one) - end], other[: len(other) - end]
    return (len(one) <= 1 and len(other) <= 1) or (len(one) == 2 and one == other[::-1])


def _plain(name: str) -> str:
    """Small letters without accents, words parted by single spaces."""
    parts = unicodedata.normalize("NFKD", name).casefold()
    kept = "".join(letter for letter in parts if not unicodedata.combining(letter))
    return " ".join("".join(letter if letter.isalnum() else " " for letter in kept).split())
