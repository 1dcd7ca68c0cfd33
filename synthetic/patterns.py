"""Fault patterns as checked data: what each fault does to the joint curves."""

from __future__ import annotations

from functools import cached_property, lru_cache
from typing import Annotated, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from faultml.errors import CatalogueError
from faultml.faults.catalogue import Channel, load_catalogue, parse_position
from faultml.faults.measure import coordinate
from faultml.rules_file import load_data

Array = NDArray[np.float64]


class Size(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How far past the edge a fault goes: smallest (negative: still inside), typical and largest."""

    low: float
    typical: float
    high: float

    def draw(self, random: np.random.Generator, count: int) -> Array:
        """Sizes past the edge, ``(count,)``: skewed to the small side, clipped to the ends."""
        spread = self.typical - self.low
        return np.clip(self.low + random.gamma(2.2, spread / 2.2, count), self.low, self.high)


class Brought(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A fault that comes along, and how often."""

    fault: str
    chance: Annotated[float, msgspec.Meta(ge=0, le=1)]


class Pattern(msgspec.Struct, frozen=True, forbid_unknown_fields=True, dict=True):
    """What one fault does."""

    fault: str
    kind: Literal["bump", "release"]
    channel: Channel
    size: Size
    onset: str = ""
    peak: str = ""
    hold: str = ""
    recovery: str = ""
    brings: tuple[Brought, ...] = ()
    shots: dict[str, float] = {}

    @cached_property
    def corners(self) -> tuple[float, float, float, float]:
        """Phase coordinates of onset, peak, end of the hold and recovery."""
        onset, peak, hold, recovery = (
            coordinate(parse_position(text)) for text in (self.onset, self.peak, self.hold, self.recovery)
        )
        return onset, peak, hold, recovery


class _PatternFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    schema: Literal[1]
    pattern: tuple[Pattern, ...]


@lru_cache(maxsize=1)
def load_patterns() -> dict[str, Pattern]:
    """The fault patterns by fault id, in catalogue order; raises `CatalogueError` where one lacks."""
    file = load_data("faultml.synthetic", "patterns.toml", _PatternFile)
    by_fault = {pattern.fault: pattern for pattern in file.pattern}
    expected = load_catalogue().ids
    if set(by_fault) != set(expected):
        raise CatalogueError(
            "patterns-incomplete",
            where="patterns.toml",
            expected=", ".join(sorted(expected)),
            found=", ".join(sorted(by_fault)),
        )
    return {fault: by_fault[fault] for fault in expected}
