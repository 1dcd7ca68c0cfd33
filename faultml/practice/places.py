"""Which of a repetition's stops are stations: the best fit in the drill's order."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, NamedTuple

from faultml.channels import CHANNELS
from faultml.coaching.stations import Place, Station, load_places
from faultml.practice.rules import StationRules

_ELEVATION_SD_DEG: Final = 15.0


class Stop(NamedTuple):
    """A stop in a repetition.

    Attributes
    ----------
    start_s, end_s
        When, on the recording's clock.
    first, last
        Numbers of its frames in the repetition.
    d_deg
        Median angles relative to the setup, in the order of `CHANNELS`; NaN where not recorded.
    elevation_deg
        Of the forearm; NaN where not known.
    """

    start_s: float
    end_s: float
    first: int
    last: int
    d_deg: tuple[float, float, float]
    elevation_deg: float

    @property
    def far_deg(self) -> float:
        """How far from the setup, all angles together."""
        return math.sqrt(sum(value * value for value in self.d_deg if not math.isnan(value)))

    def is_home(self, within_deg: float) -> bool:
        """Whether every recorded angle is so near to the setup."""
        return all(abs(value) <= within_deg for value in self.d_deg if not math.isnan(value))


class Reader(NamedTuple):
    """What a window reads: the channel, and the sign of what is outside (+1 where larger is worse)."""

    channel: str
    sign: int


def distance(stop: Stop, place: Place, judged: Reader, rules: StationRules) -> float:
    """How unlike a stop is to a place: mean square in units of the place's SD.

    The judged angle hardly counts where it lies on the fault's side of the usual one: that is what is looked for.
    """
    total = weights = 0.0
    for channel, value, typical, sd in zip(
        CHANNELS, stop.d_deg, place.typical_deg, place.sd_deg, strict=True
    ):
        if math.isnan(value):
            continue
        outside = channel == judged.channel and judged.sign * (value - typical) > 0
        weight = rules.judged_weight if outside else 1.0
        total += weight * ((value - typical) / sd) ** 2
        weights += weight
    if not math.isnan(stop.elevation_deg):
        total += 2 * ((stop.elevation_deg - place.elevation_deg) / _ELEVATION_SD_DEG) ** 2
        weights += 2
    return total / weights


def assign(
    stops: Sequence[Stop],
    stations: Sequence[Station],
    judged: Reader,
    rules: StationRules,
) -> dict[Station, int]:
    """Station -> the number of its stop, in order; stations that no stop fits are left out.

    As many stations as fit; of equal numbers the nearest. Where the movement turns round or ends, the farther of two
    stops is meant unless it fits much worse, elsewhere the last one at the drill's end, and at the ball the first:
    setting up again comes after it. What is within
    `home_deg` of the setup can be the ball alone.
    """
    places = load_places()

    def far(at: int, station: Station) -> float:
        if station != "ball" and stops[at].is_home(rules.home_deg):
            return math.inf
        return distance(stops[at], places[station], judged, rules)

    best: list[tuple[float, dict[Station, int]]] = [(0.0, {})] * (len(stops) + 1)
    # best[n]: the best of the stations so far with the first n stops.
    for station in stations:
        row: list[tuple[float, dict[Station, int]]] = [best[0]]
        for count in range(1, len(stops) + 1):
            kept = max(row[-1], best[count], key=lambda each: each[0])
            off = far(count - 1, station)
            score = best[count - 1][0] + 2 * rules.max_distance - off
            if off <= rules.max_distance and score > kept[0]:
                kept = (score, {**best[count - 1][1], station: count - 1})
            row.append(kept)
        best = row
    found = best[-1][1]
    outward: tuple[Station, ...] = ("top" if "top" in stations else "hip_back", "hip_through")
    for station, at in list(found.items()):
        before = max((other for other in found.values() if other < at), default=-1)
        after = min((other for other in found.values() if other > at), default=len(stops))
        others = [each for each in range(before + 1, after) if far(each, station) <= rules.max_distance]
        if station == "ball":
            near = [each for each in others if each <= at and far(each, station) <= rules.near_distance]
            found[station] = min(near, default=at)
        elif station in outward:
            found[station] = min(
                others,
                key=lambda each: (
                    rules.outward_weight * far(each, station) - rules.outward_per_deg * stops[each].far_deg
                ),
            )
        elif station == stations[-1]:
            found[station] = max(others)
    return found
