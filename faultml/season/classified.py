"""A classified season: its counts, and where its tables are."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any, Final

import pandas as pd

from faultml.care.known import Known
from faultml.recordings.problems import Problem
from faultml.results import Results, read_results

DONE: Final = 0
NOTHING_ASSESSED: Final = 1
DONE_WITH_PROBLEMS: Final = 3


@dataclass
class SeasonRun:
    """A classified season; its tables are in the results.

    Attributes
    ----------
    out
        The results folder.
    roster
        As read, and with the names of the recordings.
    known, day
        What was known of the players' bodies, and the day of the care check.
    run
        The content of ``run.json``, but for the lists of files and tables.
    n_swings, n_assessed, n_players, n_problems
        Counts.
    n_lost
        Swings of partitions that could not be assessed.
    n_withheld
        Players who get no drill until the roster is mended.
    n_held
        Players who get none until somebody says whose a row of the roster is.
    problem_counts
        Problems by code and file.
    unread
        What was wrong with each file that was not read.
    roster_unreadable
        Whether there is a roster that could not be read: then nobody gets a drill.
    left_out
        How many players were left out, since they have asked to be forgotten, and how many swings of theirs.
    unrecorded
        Players of the roster without recordings.
    layout_suspected
        Whether so many swings are no full swing that the layout is suspected: then nobody gets a new drill.
    """

    out: Path
    roster: pd.DataFrame
    known: Known
    day: date
    run: dict[str, Any] = field(default_factory=dict)
    n_swings: int = 0
    n_assessed: int = 0
    n_lost: int = 0
    n_players: int = 0
    n_problems: int = 0
    n_withheld: int = 0
    n_held: int = 0
    problem_counts: Counter[tuple[str, str]] = field(default_factory=Counter)
    unread: list[Problem] = field(default_factory=list)
    roster_unreadable: bool = False
    left_out: tuple[int, int] = (0, 0)
    unrecorded: list[str] = field(default_factory=list)
    layout_suspected: bool = False

    @property
    def exit_code(self) -> int:
        """0 done, 1 nothing could be assessed, 3 done with rows in ``problems.csv``."""
        if not self.n_assessed:
            return NOTHING_ASSESSED
        return DONE_WITH_PROBLEMS if self.n_problems else DONE

    @property
    def results(self) -> Results:
        """The tables, as `faultml.read_results` reads them."""
        return read_results(self.out)
