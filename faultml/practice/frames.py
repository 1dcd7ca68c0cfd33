"""Samples put on frames of equal length, whatever their rate, and what is wrong with their times."""

from __future__ import annotations

import math
from collections import deque
from typing import Final, NamedTuple

from faultml.practice.events import Trouble
from faultml.practice.rules import StreamRules

_SLACK: Final = 1e-6


class Sample(NamedTuple):
    """One sample of a stream: seconds on the recording's clock, degrees in anatomical signs.

    `pronation_deg` is NaN where the recorder has no forearm part, `elevation_deg` (of the lead forearm above level)
    where the layout gives no orientation.
    """

    t_s: float
    flexion_deg: float
    ulnar_deg: float
    pronation_deg: float = math.nan
    elevation_deg: float = math.nan


class Frame(NamedTuple):
    """The mean of the samples of a frame: its middle, angles in the order of `CHANNELS`, and the forearm's
    elevation.
    """

    t_s: float
    angles_deg: tuple[float, float, float]
    elevation_deg: float


class Framer:
    """Samples in, complete frames out. What comes out depends on the samples alone, not on how they are handed over.

    A frame is complete when a sample of a later one is there. Frames without samples are filled between their
    neighbours up to `lost_s`; after a longer step the next frame begins a new stretch, behind a `Trouble`.
    """

    def __init__(self, rules: StreamRules) -> None:
        self._rules = rules
        self._zero_s = math.nan
        self._at = 0
        self._sums = [0.0, 0.0, 0.0, 0.0]
        self._count = 0
        self._last_s = math.nan
        self._silent = False
        self._before: Frame | None = None
        self._taken: deque[bool] = deque(maxlen=rules.late_of)
        self._late_reported = False
        self._late_run = 0

    def push(self, sample: Sample) -> list[Frame | Trouble]:
        """Take a sample; the frames that it completes, and what is wrong with it."""
        t_s = sample.t_s
        if not (math.isfinite(t_s) and math.isfinite(sample.flexion_deg) and math.isfinite(sample.ulnar_deg)):
            return []
        if t_s <= self._last_s:
            return self._late(sample)
        self._late_run = 0
        self._taken.append(True)
        if self._late_reported and self._late_share() <= self._rules.late_share / 2:
            self._late_reported = False
        out: list[Frame | Trouble] = list(self.wait(t_s))
        step_s = t_s - self._last_s
        if step_s > self._rules.lost_s:
            out += self._close()
            if not self._silent:
                out.append(Trouble(t_s=t_s, code="lost"))
            self._zero_s = t_s
        elif math.isnan(self._zero_s):
            self._zero_s = t_s
        at = int((t_s - self._zero_s) / self._rules.frame_s + _SLACK) if step_s <= self._rules.lost_s else 0
        if self._count and at > self._at:
            out += self._close(filled_to=at)
        self._silent = False
        self._at, self._last_s = at, t_s
        for place, value in enumerate(sample[1:]):
            self._sums[place] += value
        self._count += 1
        return out

    def wait(self, now_s: float) -> list[Trouble]:
        """Let time pass without a sample: silence is reported once."""
        if self._silent or not now_s - self._last_s > self._rules.silent_s:
            return []
        self._silent = True
        return [Trouble(t_s=self._last_s + self._rules.silent_s, code="silent")]

    def finish(self) -> list[Frame]:
        """The frame that is still open, at the end of a recording."""
        return self._close()

    def _late(self, sample: Sample) -> list[Frame | Trouble]:
        self._taken.append(False)
        self._late_run += 1
        if self._late_run >= self._rules.late_of:
            # The clock was set back: go on from there.
            self._sums, self._count, self._before = [0.0, 0.0, 0.0, 0.0], 0, None
            self._zero_s = self._last_s = math.nan
            self._late_run = 0
            return [Trouble(t_s=sample.t_s, code="lost"), *self.push(sample)]
        if self._late_reported or len(self._taken) < self._rules.late_of // 4:
            return []
        if self._late_share() <= self._rules.late_share:
            return []
        self._late_reported = True
        return [Trouble(t_s=self._last_s, code="late")]

    def _late_share(self) -> float:
        return self._taken.count(False) / len(self._taken)

    def _close(self, filled_to: int | None = None) -> list[Frame]:
        """Complete the open frame, and the empty ones up to the next sample's are filled when that one is complete."""
        if not self._count:
            return []
        flexion, ulnar, pronation, elevation = (total / self._count for total in self._sums)
        t_s = self._zero_s + (self._at + 0.5) * self._rules.frame_s
        frame = Frame(t_s, (flexion, ulnar, pronation), elevation)
        out = [*self._between(frame), frame]
        self._before = frame if filled_to is not None else None
        self._sums, self._count = [0.0, 0.0, 0.0, 0.0], 0
        return out

    def _between(self, frame: Frame) -> list[Frame]:
        before = self._before
        if before is None:
            return []
        steps = round((frame.t_s - before.t_s) / self._rules.frame_s)
        out = []
        for step in range(1, steps):
            share = step / steps
            values = [
                a + share * (b - a)
                for a, b in zip(
                    (*before.angles_deg, before.elevation_deg),
                    (*frame.angles_deg, frame.elevation_deg),
                    strict=True,
                )
            ]
            out.append(
                Frame(before.t_s + step * self._rules.frame_s, (values[0], values[1], values[2]), values[3])
            )
        return out
