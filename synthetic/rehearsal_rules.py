"""Routes, kinds and recorders of rehearsals as checked data (`rehearsals.toml`)."""

from __future__ import annotations

from functools import lru_cache
from typing import Literal

import numpy as np

from faultml.errors import CatalogueError
from faultml.rules_file import NonEmpty, NotNegative, Positive, Record, Share, load_data

TOP_PHASE = 1.0
Triple = tuple[float, float, float]
Range = tuple[float, float]


class Place(Record, frozen=True):
    """Where the body can be on its way: phase coordinate, forearm and the wrist's usual angles from the setup."""

    name: NonEmpty
    phase: NotNegative
    elevation_deg: float
    angles_deg: Triple
    spread_deg: Triple


class RouteRules(Record, frozen=True):
    """Through which places drills go, in order, and at which of them they stop."""

    drills: tuple[str, ...]
    places: tuple[str, ...]
    stops: tuple[str, ...]
    top: Literal["hip", "arm_level", "three_quarter"] = "three_quarter"
    halfway_phase: Positive = 1.56
    made_first: bool = False
    small_starts: int = 0


class Kind(Record, frozen=True):
    """How repetitions are made.

    Attributes
    ----------
    stops
        Which stops are made: the drill's, setup and end only, or none.
    pace_s
        Seconds for one unit of phase.
    setup_s, stop_s, hesitation_s
        How long the setup, a stop and a hesitation last.
    hesitations
        How many a repetition, between places.
    broken_off_share
        Chance of an attempt before a repetition that is broken off before the window can be judged.
    part_share
        Share of repetitions that end before the drill's last place.
    setup_moved_share, setup_moved_deg
        Share of repetitions whose setup is so far from the usual one in flexion or ulnar deviation.
    full_swing
        Whether a swing at full speed is made in the middle.
    runs_on
        Whether one repetition follows the other at once.
    """

    name: NonEmpty
    stops: Literal["all", "ends", "none"]
    pace_s: Range
    setup_s: Range
    stop_s: Range
    hesitations: tuple[int, int] = (0, 0)
    hesitation_s: Range = (0.0, 0.0)
    broken_off_share: Share = 0.0
    part_share: Share = 0.0
    setup_moved_share: Share = 0.0
    setup_moved_deg: Range = (0.0, 0.0)
    full_swing: bool = False
    runs_on: bool = False


class RecorderRules(Record, frozen=True):
    """What a recorder does to the motion; what is 0 or absent it does not do.

    Attributes
    ----------
    jitter
        How far off a sample's time is at most, as a share of the step.
    turned_midway_deg
        How far the sensors turn about the forearm between two repetitions.
    off_s
        How long the recorder is silent once, in the middle.
    stops_at
        After which share of the session it is silent for good.
    """

    name: NonEmpty
    noise_deg: NotNegative = 0.0
    slow_noise_deg: NotNegative = 0.0
    jitter: NotNegative = 0.0
    drift_deg_min: NotNegative = 0.0
    turned_deg: NotNegative = 0.0
    turned_midway_deg: Range | None = None
    dropped_share: Share = 0.0
    late_share: Share = 0.0
    doubled_share: Share = 0.0
    off_s: Range | None = None
    stops_at: Range | None = None


class _File(Record, frozen=True):
    schema: Literal[1]
    place: tuple[Place, ...]
    route: tuple[RouteRules, ...]
    kind: tuple[Kind, ...]
    recorder: tuple[RecorderRules, ...]


class Route(Record, frozen=True):
    """One drill's way: its places with the phases and forearm angles they have on it, and the names of its stops."""

    places: tuple[Place, ...]
    stops: tuple[str, ...]
    made_first: bool
    small_starts: int

    @property
    def end_phase(self) -> float:
        """Phase coordinate of the last place."""
        return self.places[-1].phase

    @property
    def turns(self) -> bool:
        """Whether the hands turn from going back to coming down on the way."""
        return any(place.phase == TOP_PHASE for place in self.places) and self.end_phase > TOP_PHASE


class RehearsalRules:
    """Routes by drill, kinds and recorders by name."""

    def __init__(self, file: _File) -> None:
        places = {place.name: place for place in file.place}
        wrong = [
            f"{rules.drills}: {name}"
            for rules in file.route
            for name in (*rules.places, *rules.stops)
            if name not in places or (name in rules.stops and name not in rules.places)
        ]
        drills = [drill for rules in file.route for drill in rules.drills]
        wrong += [f"{drill} twice" for drill in set(drills) if drills.count(drill) > 1]
        if wrong:
            raise CatalogueError(
                "bad-rules",
                where="rehearsals.toml",
                expected="stops among known places, each drill once",
                found="; ".join(wrong),
            )
        self.routes = {drill: _route(rules, places) for rules in file.route for drill in rules.drills}
        self.kinds = {kind.name: kind for kind in file.kind}
        self.recorders = {recorder.name: recorder for recorder in file.recorder}


@lru_cache(maxsize=1)
def load_rehearsal_rules() -> RehearsalRules:
    """The rules of the package; raises `CatalogueError` where they do not fit together."""
    return RehearsalRules(load_data("faultml.synthetic", "rehearsals.toml", _File))


_TOP_ELEVATION_DEG = {"hip": -20.0, "arm_level": 0.0, "three_quarter": 25.0}
_TOP_SHARE = {"hip": 0.8, "arm_level": 0.95, "three_quarter": 1.0}
"""How much of the usual hinge and roll a top that far back has: practice, no source."""


def _route(rules: RouteRules, known: dict[str, Place]) -> Route:
    """The places as they are on this route: a turn is at phase 1, a shorter top is lower and less hinged."""
    places = [known[name] for name in rules.places]
    going_back = [place for place in places if place.phase <= TOP_PHASE]
    turns_at = going_back[-1].name if len(going_back) > 1 and places[-1].phase > TOP_PHASE else ""
    fitted = []
    for place in places:
        phase, elevation, angles = place.phase, place.elevation_deg, place.angles_deg
        if place.name == turns_at:
            phase = TOP_PHASE
        if place.name == "halfway_down":
            phase = rules.halfway_phase
            elevation = float(np.interp(phase, (1.0, 1.56, 1.72, 2.0), (25.0, 0.0, -42.0, -58.0)))
        if place.name == "top":
            elevation, share = _TOP_ELEVATION_DEG[rules.top], _TOP_SHARE[rules.top]
            angles = (angles[0], angles[1] * share, angles[2] * share)
        fitted.append(
            Place(
                name=place.name,
                phase=phase,
                elevation_deg=elevation,
                angles_deg=angles,
                spread_deg=place.spread_deg,
            )
        )
    return Route(
        places=tuple(fitted),
        stops=rules.stops,
        made_first=rules.made_first,
        small_starts=rules.small_starts,
    )
