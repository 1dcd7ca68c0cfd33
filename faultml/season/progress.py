"""How far a run is, counted and passed on."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from faultml.season.batch import BatchTables
from faultml.season.parts import Partition


class Progress(NamedTuple):
    """How far a run is: swings in all, done so far and assessed of them; players put together."""

    n_swings: int
    n_done: int
    n_assessed: int
    n_players: int = 0


class ProgressCounter:
    """Counts what is done, and passes it on."""

    def __init__(self, n_swings: int, call: Callable[[Progress], None] | None) -> None:
        self._now = Progress(n_swings, 0, 0)
        self._call = call
        self._by_batch = 0

    def batch(self, tables: BatchTables) -> None:
        """A batch is done, in this process."""
        self._by_batch += len(tables.swings)
        self._add(len(tables.swings), int(tables.swings["assessed"].sum()))

    def part(self, part: Partition) -> None:
        """A partition is done; what its batches have counted is not counted again."""
        by_batch, self._by_batch = self._by_batch, 0
        if by_batch != part.n_swings:
            self._add(part.n_swings - by_batch, part.n_assessed)

    def players(self, n_players: int) -> None:
        """So many players are put together."""
        self._now = self._now._replace(n_players=n_players)
        self._add(0, 0)

    def _add(self, n_swings: int, n_assessed: int) -> None:
        now = self._now
        self._now = now._replace(n_done=now.n_done + n_swings, n_assessed=now.n_assessed + n_assessed)
        if self._call is not None:
            self._call(self._now)
