"""Does a layout fit its files? Where most of what it reads is no full swing, it is the layout that is doubted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from faultml.recordings.findings import limits
from faultml.recordings.problems import Problem, file_problem

CODE: Final = "layout-suspected"


@dataclass(frozen=True)
class LayoutDoubt:
    """How many swings of a season were judged, and how many of them are no full swing."""

    judged: int
    not_full: int

    @property
    def suspected(self) -> bool:
        """Whether so many are no full swing that the layout is suspected, and no golfer is."""
        bounds = limits()
        return self.judged >= bounds.layout_min_swings and self.not_full > bounds.not_full_share * self.judged

    @property
    def expected(self) -> str:
        """What would have been right."""
        return "full swings, at least half of them"

    @property
    def found(self) -> str:
        """What was there."""
        return f"{self.not_full} of {self.judged} no full swing"

    def problem(self, season: str) -> Problem:
        """A row for ``problems.csv``."""
        return file_problem(season, CODE, self.expected, self.found)
