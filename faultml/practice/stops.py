"""When the wrist stands still, how rough the sensor is, and a jump that no wrist makes."""

from __future__ import annotations

import math
from collections import deque
from itertools import pairwise
from typing import Final, NamedTuple

from faultml.practice.frames import Frame
from faultml.practice.rules import StopRules, StreamRules

_SMOOTH: Final = 3
_ROUGHNESS: Final = 0.02
"""Weight of the newest frame in the sensor's roughness."""
_ROUGHEST_DEG: Final = 3.0
_SECOND_DIFFERENCE: Final = 0.5117
"""Mean size of a second difference of noise of SD 1 is 1.954."""

Angles = tuple[float, float, float]


class Motion(NamedTuple):
    """How the wrist moves at a frame.

    Attributes
    ----------
    t_s
        The frame's time, seconds.
    smooth_deg
        Mean of the last three frames, in the order of `CHANNELS`; NaN where not recorded.
    still
        Whether no angle has moved over the last `StopRules.stop_s`.
    speed_dps
        Of all angles together over the last tenth of a second.
    turned, dead, drifts
        Whether the sensor has jumped, repeats itself, or creeps while the wrist stands still.
    """

    t_s: float
    smooth_deg: Angles
    elevation_deg: float
    still: bool
    speed_dps: float
    turned: bool
    dead: bool
    drifts: bool


class Watcher:
    """Looks at the last frames; keeps some two seconds of them."""

    def __init__(self, stops: StopRules, stream: StreamRules) -> None:
        self._stops, self._stream = stops, stream
        self._needed = max(2, round(stops.stop_s / stream.frame_s))
        self._tenth = max(1, round(0.1 / stream.frame_s))
        self._raw: deque[Angles] = deque(maxlen=8)
        self._smooth: deque[Angles] = deque(maxlen=self._needed)
        self._rough = [0.0, 0.0, 0.0]
        self._same = 0
        self._held: deque[Angles] = deque(maxlen=round(stream.drift_s / stream.frame_s))

    def restart(self) -> None:
        """Forget the frames before a break; the sensor's roughness stays."""
        self._raw.clear()
        self._smooth.clear()
        self._held.clear()
        self._same = 0

    def push(self, frame: Frame) -> Motion:
        """Take the next frame."""
        angles = tuple(0.0 if math.isnan(value) else value for value in frame.angles_deg)
        raw = self._raw
        self._same = self._same + 1 if raw and raw[-1] == angles else 0
        raw.append((angles[0], angles[1], angles[2]))
        if len(raw) >= 3:
            for place in range(3):
                bend = abs(raw[-1][place] - 2 * raw[-2][place] + raw[-3][place])
                bend = min(bend, _ROUGHEST_DEG) * _SECOND_DIFFERENCE
                self._rough[place] += _ROUGHNESS * (bend - self._rough[place])
        last = list(raw)[-_SMOOTH:]
        smooth = (_mean(last, 0), _mean(last, 1), _mean(last, 2))
        self._smooth.append(smooth)
        still = self._is_still()
        if still:
            self._held.append(smooth)
        else:
            self._held.clear()
        shown = smooth if not math.isnan(frame.angles_deg[2]) else (smooth[0], smooth[1], math.nan)
        return Motion(
            frame.t_s,
            shown,
            frame.elevation_deg,
            still,
            self._speed_dps(),
            self._has_turned(),
            self._same * self._stream.frame_s >= self._stream.dead_s,
            self._drifts(),
        )

    def _is_still(self) -> bool:
        if len(self._smooth) < self._needed:
            return False
        for place in range(3):
            values = [each[place] for each in self._smooth]
            allowed = self._stops.still_deg + self._stops.rough_factor * self._rough[place]
            if max(values) - min(values) > allowed:
                return False
        return True

    def _speed_dps(self) -> float:
        if len(self._smooth) <= self._tenth:
            return 0.0
        return math.dist(self._smooth[-1], self._smooth[-1 - self._tenth]) / (
            self._tenth * self._stream.frame_s
        )

    def _has_turned(self) -> bool:
        """A jump within two frames between two quiet frames on either side."""
        if len(self._raw) < 7:
            return False
        a, b, c, _, d, e, f = list(self._raw)[-7:]
        quiet = self._stream.turn_quiet_deg + self._stops.rough_factor * math.hypot(*self._rough)
        steady = max(math.dist(a, b), math.dist(b, c), math.dist(d, e), math.dist(e, f)) <= quiet
        return steady and math.dist(c, d) >= self._stream.turn_deg

    def _drifts(self) -> bool:
        """Whether an angle creeps one way while all of them count as still."""
        if len(self._held) < (self._held.maxlen or 0):
            return False
        held = list(self._held)[:: max(1, len(self._held) // 5)]
        for place in range(3):
            steps = [after[place] - before[place] for before, after in pairwise(held)]
            one_way = all(step > 0 for step in steps) or all(step < 0 for step in steps)
            if one_way and abs(sum(steps)) >= self._stream.drift_deg:
                return True
        return False


def _mean(frames: list[Angles], place: int) -> float:
    return sum(frame[place] for frame in frames) / len(frames)
