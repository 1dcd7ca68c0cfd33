"""A stream in windows of fixed length: gapless runs, each looked at piece by piece with what lies about the piece.

Where a window begins and ends depends on the samples alone and not on the blocks they came in.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.channels import PRONATION
from faultml.recordings.stream import Block

Array = NDArray[np.float64]

CORE_S: Final = 20.0
BEFORE_S: Final = 5.0
AFTER_S: Final = 4.0
"""A window's own stretch, and what is seen before and after it: the longest backswing and finish."""

LONGEST_HOLE_S: Final = 0.0625
"""A longer step between samples ends a run: up to 50 ms of samples may be missing from a swing, at 100 Hz."""


@dataclass(frozen=True)
class Window:
    """Part of a run.

    Attributes
    ----------
    t_s, angles_deg
        ``(n,)`` and ``(3, n)`` complete samples: pronation alone may be NaN.
    sensed
        ``(n_axes, n)`` what the sensor felt; None where it is not recorded.
    marks_s
        Contacts marked between its first and last sample.
    run_from_s
        When the run began.
    core_s
        ``[start, end)`` of the stretch that is this window's own; the windows' cores cover the run.
    ends_run
        Whether nothing of the run comes after it.
    """

    t_s: Array
    angles_deg: Array
    marks_s: Array
    run_from_s: float
    core_s: tuple[float, float]
    ends_run: bool
    sensed: Array | None = None

    @property
    def starts_run(self) -> bool:
        """Whether the run begins with it."""
        return self.core_s[0] <= self.run_from_s


def windows(blocks: Iterable[Block]) -> Iterator[Window]:
    """Every run of a recording in windows, in order; what is kept meanwhile is about a window and a block.

    Samples without time, flexion or ulnar deviation are dropped. A clock that runs back begins a new run.
    """
    run: _Run | None = None
    marks_s = np.empty(0)
    for block in blocks:
        t_s, angles_deg, sensed = _complete(block)
        marks_s = np.concatenate([marks_s, block.marks_s[np.isfinite(block.marks_s)]])
        if not len(t_s):
            continue
        last_s = run.last_s if run else t_s[0]
        steps = np.diff(t_s, prepend=last_s)
        breaks = np.flatnonzero((steps > LONGEST_HOLE_S) | (steps < 0))
        bounds = [0, *breaks.tolist(), len(t_s)]
        for at, (first, stop) in enumerate(pairwise(bounds)):
            if run and at:
                yield from run.ready(marks_s, end=True)
                run = None
            if stop > first:
                run = run or _Run(t_s[first])
                felt = None if sensed is None else sensed[:, first:stop]
                run.add(t_s[first:stop], angles_deg[:, first:stop], felt)
        if run:
            yield from run.ready(marks_s, end=False)
            marks_s = marks_s[marks_s >= run.kept_from_s]
    if run:
        yield from run.ready(marks_s, end=True)


def _complete(block: Block) -> tuple[Array, Array, Array | None]:
    whole = np.isfinite(block.t_s) & np.isfinite(block.angles_deg[:PRONATION]).all(axis=0)
    if whole.all():
        return block.t_s, block.angles_deg, block.sensed
    sensed = None if block.sensed is None else block.sensed[:, whole]
    return block.t_s[whole], block.angles_deg[:, whole], sensed


class _Run:
    """The samples of a run that are still needed."""

    def __init__(self, from_s: float) -> None:
        self._from_s = from_s
        self._cores = 0
        self._t_s: list[Array] = []
        self._angles_deg: list[Array] = []
        self._sensed: list[Array] = []
        self.last_s = from_s

    @property
    def kept_from_s(self) -> float:
        """What lies before is not looked at again."""
        return self._core_s[0] - BEFORE_S

    @property
    def _core_s(self) -> tuple[float, float]:
        return self._from_s + self._cores * CORE_S, self._from_s + (self._cores + 1) * CORE_S

    def add(self, t_s: Array, angles_deg: Array, sensed: Array | None) -> None:
        """Take samples; of equal stamps, which come from rounding, the first one is kept."""
        rises = np.diff(t_s, prepend=self.last_s if self._t_s else -np.inf) > 0
        self._t_s.append(t_s[rises])
        self._angles_deg.append(angles_deg[:, rises])
        if sensed is not None:
            self._sensed.append(sensed[:, rises])
        self.last_s = float(t_s[-1])

    def ready(self, marks_s: Array, *, end: bool) -> Iterator[Window]:
        """The windows of which all samples are there; at the run's end, all that are left."""
        while self.last_s >= self._core_s[1] + AFTER_S or (end and self.last_s >= self._core_s[0]):
            t_s, angles_deg = np.concatenate(self._t_s), np.concatenate(self._angles_deg, axis=1)
            sensed = np.concatenate(self._sensed, axis=1) if self._sensed else None
            last = end and self.last_s < self._core_s[1] + AFTER_S
            stop = len(t_s) if last else int(np.searchsorted(t_s, self._core_s[1] + AFTER_S))
            marked = marks_s[(marks_s >= t_s[0]) & (marks_s <= t_s[stop - 1])]
            core_s = (self._core_s[0], np.inf) if last else self._core_s
            felt = None if sensed is None else sensed[:, :stop]
            yield Window(t_s[:stop], angles_deg[:, :stop], marked, self._from_s, core_s, last, felt)
            self._cores += 1
            if last:
                return
            first = int(np.searchsorted(t_s, self.kept_from_s))
            self._t_s, self._angles_deg = [t_s[first:]], [angles_deg[:, first:]]
            self._sensed = [] if sensed is None else [sensed[:, first:]]
