"""The live cue: on when the wrist has stood outside for a moment, off at the bound."""

from __future__ import annotations

import math

from faultml.practice.events import CueOff, CueOn, Direction
from faultml.practice.rules import CueRules


class Cue:
    """Whether the cue sounds. It knows nothing of sound: `CueOn` and `CueOff` say when."""

    def __init__(self, rules: CueRules, frame_s: float) -> None:
        self._rules = rules
        self._needed = max(1, round(rules.on_s / frame_s))
        self._outside = 0
        self.is_on = False

    def read(self, t_s: float, past_deg: float, direction: Direction) -> list[CueOn | CueOff]:
        """Take how far past the bound the wrist stands at a moment; NaN is no reading and changes nothing."""
        if math.isnan(past_deg):
            return []
        if self.is_on:
            return self.off(t_s, "inside") if past_deg <= 0 else []
        self._outside = self._outside + 1 if past_deg > self._rules.on_deg else 0
        if self._outside < self._needed:
            return []
        self.is_on = True
        return [CueOn(t_s=t_s, direction=direction, past_deg=round(past_deg, 2))]

    def off(self, t_s: float, why: str) -> list[CueOn | CueOff]:
        """Silence the cue."""
        self._outside = 0
        if not self.is_on:
            return []
        self.is_on = False
        reason = "inside" if why == "inside" else "trouble" if why == "trouble" else "moved-on"
        return [CueOff(t_s=t_s, why=reason)]  # type: ignore[arg-type]
