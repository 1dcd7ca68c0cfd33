"""Swings in two files each: which file belongs to which by their names, and both as one source."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from faultml.importing.join import SECOND
from faultml.importing.layout import Join
from faultml.importing.propose.clock import guess_clock
from faultml.importing.propose.source import Source
from faultml.importing.propose.words import load_words

_PIECES = re.compile(r"([_\-\s.]+)")
MAX_BESIDE: Final = 5000
"""Names in the first file's folder that are looked at."""


def find_join(paths: Sequence[Path]) -> Join | None:
    """The texts in which the names of a swing's two files differ; None where the first file has no such other."""
    first = paths[0]
    try:
        beside = [path for _, path in zip(range(MAX_BESIDE), first.parent.iterdir(), strict=False)]
    except OSError:
        beside = []
    pieces = _PIECES.split(first.name)
    for other in sorted({*paths[1:], *beside}):
        theirs = _PIECES.split(other.name)
        if len(theirs) != len(pieces):
            continue
        differing = [at for at, (one, two) in enumerate(zip(pieces, theirs, strict=True)) if one != two]
        if len(differing) == 1 and _are_parts(pieces[differing[0]], theirs[differing[0]]):
            at = differing[0]
            before = pieces[at - 1] if at else ""
            return Join(before + pieces[at], before + theirs[at])
    return None


def _are_parts(one: str, two: str) -> bool:
    """Whether two words name two segments, or two of the wrist's angles."""
    words = load_words()
    names = words.names
    groups = [names.forearm, names.hand_segment, names.upper_arm, names.wrist]
    groups += [angle.all for angle in words.angles.values()]
    own = [{at for at, group in enumerate(groups) if word.casefold() in group} for word in (one, two)]
    return all(own) and own[0] != own[1]


def join_sources(first: Source, second: Source, join: Join) -> Source | None:
    """The first source with the second's columns, sample by sample; None where their clocks do not meet."""
    clocks = guess_clock(first).t_s, guess_clock(second).t_s
    nearest = np.minimum(np.arange(len(first)), len(second) - 1)
    if clocks[0] is not None and clocks[1] is not None:
        order = np.argsort(clocks[1])
        after = np.clip(np.searchsorted(clocks[1][order], clocks[0]), 0, len(second) - 1)
        before = np.maximum(after - 1, 0)
        gaps = [np.abs(clocks[1][order[at]] - clocks[0]) for at in (before, after)]
        nearest = order[np.where(gaps[0] <= gaps[1], before, after)]
        if (np.minimum(*gaps) <= join.within_s).mean() < 0.5:
            return None
    names = [name for name in second.names if not name.startswith("#")]
    return replace(
        first,
        names=[*first.names, *(SECOND + name for name in names)],
        titles={name: f"{join.first} {title}" for name, title in first.titles.items()}
        | {SECOND + name: f"{join.second} {second.titles[name]}" for name in names},
        units=first.units | {SECOND + name: second.units[name] for name in names},
        numbers=first.numbers
        | {SECOND + name: second.numbers[name][nearest] for name in names if name in second.numbers},
        cells=first.cells | {SECOND + name: second.cells[name][nearest] for name in names},
    )
