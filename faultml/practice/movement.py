"""A movement that may be a repetition: its frames, its stops, and what they are recognised as."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.channels import CHANNELS
from faultml.coaching.stations import Station, load_places
from faultml.practice.places import Reader, Stop, assign, distance
from faultml.practice.rules import PracticeRules
from faultml.practice.stops import Motion

Array = NDArray[np.float64]
Angles = tuple[float, float, float]

_SMALL_DEG: Final = 12.0
_BACK_DEG: Final = 10.0
_RISES_DEG: Final = 5.0
_EVERY: Final = 4
_ONE_STOP: Final = 8
"""Stops no more frames apart are one."""
_SETTLED: Final = 0.5
"""A stop's angles are those of the later half of what has been seen of it."""


@dataclass
class Movement:
    """Everything since a setup was left.

    Attributes
    ----------
    setup_deg
        Absolute angles of that setup; the third is NaN where not recorded.
    at_setup
        Whether it was within the usual one.
    stations
        The drill's stops in order; `judged` is what its window reads.
    goes_on
        Whether the next repetition has begun at one of its stations, without a new setup.
    peak
        Its highest speed, deg/s, and when.
    crept
        Whether the stop that has begun last goes on from the one before: slow passages lie about a stop.
    """

    setup_deg: Angles
    at_setup: bool
    stations: tuple[Station, ...]
    judged: Reader
    rules: PracticeRules
    frames: list[Angles] = field(default_factory=list)
    times_s: list[float] = field(default_factory=list)
    elevations_deg: list[float] = field(default_factory=list)
    stops: list[Stop] = field(default_factory=list)
    open_from: int | None = None
    far_deg: float = 0.0
    peak: tuple[float, float] = (0.0, 0.0)
    spoiled: bool = False
    turned: bool = False
    crept: bool = False
    goes_on: bool = False
    reported: set[Station] = field(default_factory=set)

    @property
    def start_s(self) -> float:
        """When the setup was left."""
        return self.times_s[0]

    @property
    def length_s(self) -> float:
        """How long it has lasted."""
        return self.times_s[-1] - self.times_s[0]

    @property
    def moving_s(self) -> float:
        """How long since the last stop, or since the setup."""
        last = self.stops[-1].last if self.stops else 0
        return 0.0 if self.open_from is not None else self.times_s[-1] - self.times_s[last]

    @property
    def standing_s(self) -> float:
        """How long the wrist has stood still where it is now."""
        return 0.0 if self.open_from is None else self.times_s[-1] - self.times_s[self.open_from]

    @property
    def reach_deg(self) -> float:
        """How far it has led from the setup: to a stop, or further than any small adjustment on the way."""
        stopped = max((stop.far_deg for stop in self.stops), default=0.0)
        return max(stopped, self.far_deg) if self.far_deg >= _SMALL_DEG else stopped

    def add(self, motion: Motion) -> bool:
        """Take the next frame; whether a stop has just begun to count."""
        d_deg = self.relative(motion.smooth_deg)
        self.frames.append(d_deg)
        self.times_s.append(motion.t_s)
        self.elevations_deg.append(motion.elevation_deg)
        self.far_deg = max(self.far_deg, far(d_deg))
        self.peak = max(self.peak, (motion.speed_dps, motion.t_s))
        if not motion.still:
            self.open_from = None
            return False
        began = self.open_from is None
        needed = round(self.rules.stops.stop_s / self.rules.stream.frame_s)
        if self.open_from is None:
            self.open_from = max(0, len(self.frames) - needed)
        stop = self._stop(self.open_from)
        if not began and math.dist(_known(stop.d_deg), _known(d_deg)) > self.rules.stops.split_deg:
            # Creeping on: what is here now is another place than where the stop began.
            self.open_from = max(0, len(self.frames) - needed)
            began, stop = True, self._stop(self.open_from)
        if began:
            self.crept = bool(self.stops) and stop.first - self.stops[-1].last <= _ONE_STOP
            self.stops.append(stop)
        else:
            self.stops[-1] = stop
        return began

    def relative(self, angles_deg: Angles) -> Angles:
        """Angles relative to the setup; NaN where not recorded."""
        return (
            angles_deg[0] - self.setup_deg[0],
            angles_deg[1] - self.setup_deg[1],
            angles_deg[2] - self.setup_deg[2],
        )

    def absolute(self, d_deg: Angles) -> Angles:
        """Angles of the wrist itself, of angles relative to the setup."""
        return (
            d_deg[0] + self.setup_deg[0],
            d_deg[1] + self.setup_deg[1],
            d_deg[2] + self.setup_deg[2],
        )

    def placed(self) -> dict[Station, Stop]:
        """The stations that the stops so far are recognised as."""
        stops = [max(group, key=lambda each: each.last - each.first) for group in self._groups()]
        found = assign(stops, self.stations, self.judged, self.rules.stations)
        placed = {station: stops[at] for station, at in found.items()}
        if self.passes_ball:
            placed.pop("ball", None)
            passed = self._lowest()
            if passed is not None:
                placed["ball"] = passed
        return placed

    def here(self, placed: dict[Station, Stop]) -> Station | None:
        """The station at which the last stop is."""
        last = self._groups()[-1] if self.stops else []
        return next((station for station, stop in placed.items() if stop in last), None)

    def _groups(self) -> list[list[Stop]]:
        """Stops that go on from one another are one stop: its approach, the stop itself and its end."""
        groups: list[list[Stop]] = []
        for stop in self.stops:
            if groups and stop.first - groups[-1][-1].last <= _ONE_STOP:
                groups[-1].append(stop)
            else:
                groups.append([stop])
        return groups

    @property
    def passes_ball(self) -> bool:
        """Whether the drill goes on behind the ball: a stop a little past it looks like one at it, on the wrist
        alone.
        """
        return "ball" in self.stations[:-1]

    def _lowest(self) -> Stop | None:
        """The moment at the ball by the forearm's elevation: its lowest after its highest, before it rises again."""
        if len(self.frames) < 2 or any(math.isnan(each) for each in self.elevations_deg):
            return None
        at = highest = max(range(len(self.frames)), key=lambda each: self.elevations_deg[each])
        for later in range(highest, len(self.frames)):
            if self.elevations_deg[later] < self.elevations_deg[at]:
                at = later
            elif self.elevations_deg[later] > self.elevations_deg[at] + _RISES_DEG:
                return Stop(
                    self.times_s[at], self.times_s[at], at, at, self.frames[at], self.elevations_deg[at]
                )
        return None

    def is_home(self, stop: Stop) -> bool:
        """Whether a stop is back at the setup."""
        return stop.is_home(self.rules.repetition.setup_deg)

    def turns(self, before: int | None = None) -> int:
        """How often the movement has turned round up to a frame, read from the angle that has moved most."""
        frames = np.asarray(self.frames[:before])
        ranges = np.nan_to_num(np.ptp(frames, axis=0), nan=0.0)
        curve = frames[:, int(ranges.argmax())]
        least = self.rules.repetition.turn_deg
        count, going, high, low = 0, 0, curve[0], curve[0]
        for value in curve.tolist():
            high, low = max(high, value), min(low, value)
            if going >= 0 and high - value >= least:
                count, going, low = count + (going > 0), -1, value
                high = value
            elif going <= 0 and value - low >= least:
                count, going, high = count + (going < 0), 1, value
                low = value
        return count

    def has_returned(self, after: int) -> bool:
        """Whether the wrist has come back towards the setup since a frame, the judged angle apart."""
        others = [place for place, name in enumerate(CHANNELS) if name != self.judged.channel]
        return any(
            all(not abs(d_deg[place]) > _BACK_DEG for place in others) for d_deg in self.frames[after + 1 :]
        )

    def leads_to(self, station: Station, stop: Stop, placed: dict[Station, Stop]) -> bool:
        """Whether the way to a station led by those before it in the drill, without turning to and fro.

        Who regrips, walks off or puts the club down can stop at what looks like a station.
        """
        before = [
            each
            for each in self.stations[: self.stations.index(station)]
            if each != "ball" or not self.passes_ball
        ]
        if self.turns(stop.first + 1) > self.rules.repetition.max_turns:
            return False
        return all(each in placed or self.passed(each, stop.first) for each in before)

    def passed(self, station: Station, before: int) -> bool:
        """Whether the way up to a frame led by a station's place."""
        place, rules = load_places()[station], self.rules.stations
        for at in range(0, before, _EVERY):
            time_s = self.times_s[at]
            here = Stop(time_s, time_s, at, at, self.frames[at], self.elevations_deg[at])
            if distance(here, place, self.judged, rules) <= rules.passing_distance:
                return True
        return False

    def is_slow_and_steady(self) -> bool:
        """Whether it looks like a rehearsal without stops rather than a waggle or a walk."""
        rules = self.rules.repetition
        turns = self.turns()
        return (
            rules.min_s <= self.length_s <= rules.max_s
            and turns <= rules.max_turns
            and turns <= rules.max_turns_per_s * self.length_s
        )

    def curves_deg(self) -> Array:
        """``(n_frames, 3)`` relative to the setup."""
        return np.asarray(self.frames, dtype=float)

    def restart_at(self, stop: Stop) -> Movement:
        """What goes on from a stop without a new setup: the next repetition's frames begin where that stop does."""
        first = stop.first
        return Movement(
            self.setup_deg,
            self.at_setup,
            self.stations,
            self.judged,
            self.rules,
            frames=self.frames[first:],
            times_s=self.times_s[first:],
            elevations_deg=self.elevations_deg[first:],
            stops=[stop._replace(first=0, last=stop.last - first)],
            open_from=None if self.open_from is None else self.open_from - first,
            far_deg=stop.far_deg,
        )

    def _stop(self, first: int) -> Stop:
        last = len(self.frames) - 1
        settled = first + int((last - first) * _SETTLED) if last - first > 30 else first
        seen = np.asarray(self.frames[settled : last + 1])
        median = np.median(seen, axis=0)
        return Stop(
            self.times_s[first],
            self.times_s[last],
            first,
            last,
            (float(median[0]), float(median[1]), float(median[2])),
            float(np.median(self.elevations_deg[settled : last + 1])),
        )


def far(d_deg: Angles) -> float:
    """How far from the setup, all recorded angles together."""
    return math.sqrt(sum(value * value for value in _known(d_deg)))


def _known(values: tuple[float, ...]) -> list[float]:
    return [0.0 if math.isnan(value) else value for value in values]
