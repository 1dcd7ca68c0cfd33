"""The player stands: at the usual setup, near it, or somewhere else."""

from __future__ import annotations

import math
from collections import deque
from typing import NamedTuple

import numpy as np

from faultml.practice.events import AnyEvent, SetUpAgain, SetupTaken, Trouble
from faultml.practice.movement import Angles, Movement
from faultml.practice.rules import PracticeRules
from faultml.practice.stops import Motion

_READ_S = 0.5
_LEAVING_S = 0.1
"""The setup is the median over `_READ_S`, less the last `_LEAVING_S` in which the wrist is already leaving."""


class Left(NamedTuple):
    """A setup that was left: absolute angles, degrees, and whether it was the usual one."""

    setup_deg: Angles
    at_setup: bool


class Rest:
    """Knows where the wrist stands between movements."""

    def __init__(self, usual_deg: Angles, rules: PracticeRules) -> None:
        self._usual_deg = usual_deg
        self._rules = rules
        self._leaving = round(_LEAVING_S / rules.stream.frame_s)
        self._seen: deque[Angles] = deque(maxlen=round(_READ_S / rules.stream.frame_s) + self._leaving)
        self._stood = 0
        self._said = False
        self._asked = False
        self._offs: list[Angles] = []

    def restart(self) -> None:
        """Forget where the wrist stood."""
        self._seen.clear()
        self._stood = 0
        self._said = self._asked = False

    def go_on(self, movement: Movement) -> None:
        """The wrist goes on standing where a movement has ended."""
        self.restart()
        first = len(movement.frames) if movement.open_from is None else movement.open_from
        for d_deg in movement.frames[max(first, len(movement.frames) - (self._seen.maxlen or 0)) :]:
            self._seen.append(movement.absolute(d_deg))
        self._stood = len(self._seen)

    def read(self, motion: Motion) -> tuple[list[AnyEvent], Left | None]:
        """Take the next frame; what it shows, and the setup that was left with it."""
        if not motion.still:
            left = self._left() if self._stood else None
            self.restart()
            return [], left
        if not self._stood:
            self._stood = round(self._rules.stops.stop_s / self._rules.stream.frame_s)
        self._stood += 1
        self._seen.append(motion.smooth_deg)
        return self._say(motion), None

    def off_deg(self, setup_deg: Angles) -> Angles:
        """How far a setup lies from the usual one; an angle that is not recorded, or not known, counts as usual."""
        off = [here - usual for here, usual in zip(setup_deg, self._usual_deg, strict=True)]
        filled = [0.0 if math.isnan(value) else value for value in off]
        return (filled[0], filled[1], filled[2])

    def is_usual(self, setup_deg: Angles) -> bool:
        """Whether a repetition may begin there."""
        return max(map(abs, self.off_deg(setup_deg))) <= self._rules.repetition.setup_deg

    def is_near(self, setup_deg: Angles) -> bool:
        """Whether it is meant as the setup."""
        return max(map(abs, self.off_deg(setup_deg))) <= self._rules.repetition.near_deg

    def _say(self, motion: Motion) -> list[AnyEvent]:
        if self._said:
            return []
        here = self._median(list(self._seen))
        if self.is_usual(here):
            self._said = True
            self._offs.clear()
            return [SetupTaken(t_s=motion.t_s, setup_deg=here)]
        rules = self._rules.repetition
        if (
            self._asked
            or not self.is_near(here)
            or self._stood * self._rules.stream.frame_s < rules.setup_again_s
        ):
            return []
        self._asked = True
        off = self.off_deg(here)
        out: list[AnyEvent] = [SetUpAgain(t_s=motion.t_s, off_deg=off)]
        self._offs.append(off)
        last = self._offs[-rules.moved_setups :]
        spread = np.ptp(np.asarray(last), axis=0).max()
        if len(last) == rules.moved_setups and spread <= rules.agree_deg:
            self._offs.clear()
            out.append(Trouble(t_s=motion.t_s, code="moved"))
        return out

    def _left(self) -> Left | None:
        seen = list(self._seen)
        kept = seen[: -self._leaving] or seen
        setup_deg = self._median(kept)
        creeping = np.nan_to_num(np.ptp(np.asarray(kept), axis=0)).max() > self._rules.stops.split_deg
        if creeping or not self.is_near(setup_deg):
            return None
        return Left(setup_deg, self.is_usual(setup_deg))

    @staticmethod
    def _median(seen: list[Angles]) -> Angles:
        median = np.median(np.asarray(seen), axis=0)
        return (float(median[0]), float(median[1]), float(median[2]))
