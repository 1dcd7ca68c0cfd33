"""Whether a repetition met its window: its stations give the curve its phases, the window's own code reads it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from faultml.care.rules import Limits, Setup
from faultml.channels import CHANNELS
from faultml.coaching.book import Drill
from faultml.coaching.place import OwnNumbers, PlacedWindow, bounds, place
from faultml.coaching.stations import Station, live_stops, load_places, needed_stops
from faultml.coaching.window import SpreadWindow, Window, margins_deg, past_deg
from faultml.faults.measure import PHASE_GRID
from faultml.practice.events import Direction, NotJudged
from faultml.practice.places import Stop
from faultml.practice.rules import CueRules

Array = NDArray[np.float64]

_LONG: Final = 1e9
_MOST_HIDDEN: Final = 0.25
"""At most so much of a movement counts as part of each of the stops about it."""
_TIMES: Final = np.linspace(0, 1, 201)
_MINIMUM_JERK: Final = 10 * _TIMES**3 - 15 * _TIMES**4 + 6 * _TIMES**5


class Judged(NamedTuple):
    """How far inside the window a repetition lies, degrees; NaN and a reason where it is not judged."""

    margin_deg: float
    why: NotJudged = ""


@dataclass(frozen=True)
class Target:
    """What a player practises: a drill whose window is placed on the player's own numbers.

    Attributes
    ----------
    drill
        Of the drill book.
    window
        Its window for the edge that holds for the player, before it is placed.
    own
        The player's own numbers; their setup is the usual one.
    limits
        The limits of care.
    mounting_sd_deg
        How surely the sensor's turn about the forearm is known; None for that of any recorder.
    """

    drill: Drill
    window: Window
    own: OwnNumbers
    limits: Limits
    mounting_sd_deg: float | None = None

    @property
    def usual_setup_deg(self) -> tuple[float, float, float]:
        """Absolute angles of the usual setup, in the order of `CHANNELS`."""
        setup = self.own.setup
        return (setup.flexion_deg, setup.ulnar_deg, setup.pronation_deg)

    @cached_property
    def needed(self) -> tuple[Station, ...]:
        """The stops without which the window is not judged."""
        return needed_stops(self.window, self.drill.rehearsal)

    def placed_at(self, setup_deg: Sequence[float]) -> PlacedWindow:
        """The window of a repetition that begins at another setup than the usual one: care's limits are absolute."""
        shift = [own - usual for own, usual in zip(setup_deg, self.usual_setup_deg, strict=True)]
        setup = Setup(flexion_deg=setup_deg[0], ulnar_deg=setup_deg[1], pronation_deg=setup_deg[2])
        # The player's absolute hinge is what care knows; relative to this setup it is less by what the setup has moved.
        own = OwnNumbers(
            setup=setup,
            top_flexion_deg=self.own.top_flexion_deg - shift[0],
            impact_flexion_deg=self.own.impact_flexion_deg - shift[0],
            lowest_ulnar_deg=self.own.lowest_ulnar_deg - shift[1],
            impact_ulnar_deg=self.own.impact_ulnar_deg - shift[1],
        )
        return place(self.window, own, self.limits)

    def width_deg(self) -> float:
        """How wide the window is: from its bound to what it is relative to, or to care's limit on the far side."""
        placed = self.placed_at(self.usual_setup_deg)
        window = placed.window
        assert isinstance(window, Window)
        low, high = bounds(window, self.own, self.limits)
        room = placed.absolute_deg - low if window.side == "below" else high - placed.absolute_deg
        return min(abs(window.bound_deg), room if np.isfinite(room) else _LONG)

    def doubt_deg(self, rules: CueRules) -> float:
        """The sensor's doubt (SD) of a reading at the stop that is judged, degrees.

        A sensor that is turned about the forearm shows part of the hinge as bend, and the other way round; the more,
        the further the wrist has gone from what the reading is relative to.
        """
        base = rules.base_doubt_deg[CHANNELS.index(self.window.channel)]
        if self.window.channel == "pronation_deg" or not self.needed:
            return base
        places = load_places()
        other = 1 - CHANNELS.index(self.window.channel)
        gone = places[self.needed[-1]].typical_deg[other]
        if self.window.reference in ("top", "lowest"):
            gone -= places["top"].typical_deg[other]
        sd_deg = rules.mounting_sd_deg if self.mounting_sd_deg is None else self.mounting_sd_deg
        return float(np.hypot(base, np.sin(np.radians(sd_deg)) * gone))

    def live(self, rules: CueRules) -> tuple[Station, ...]:
        """The stops at which a live cue may sound; none where the sensor's doubt is too large for the window."""
        if self.drill.rehearsal.unproven or self.doubt_deg(rules) > rules.doubt_share * self.width_deg():
            return ()
        return live_stops(self.window, self.drill.rehearsal)


def target_of(
    drill: Drill, window: object, own: OwnNumbers, limits: Limits, mounting_sd_deg: float | None = None
) -> Target | None:
    """What a player practises with a sensor; None where no sensor can judge the drill."""
    if isinstance(window, SpreadWindow) or not isinstance(window, Window) or not drill.rehearsal.stations:
        return None
    return Target(drill, window, own, limits, mounting_sd_deg)


def past_now(window: Window, d_deg: Sequence[float], stops: Mapping[Station, Stop]) -> float:
    """How far past the bound the wrist stands now, degrees; NaN where what the bound is relative to is not known.

    Parameters
    ----------
    d_deg
        Angles relative to the setup, in the order of `CHANNELS`.
    stops
        The stations that were reached before.
    """
    channel = CHANNELS.index(window.channel)
    reference = _reference_deg(window, channel, d_deg[channel], stops)
    return float(
        past_deg(window, np.asarray(d_deg[channel]), np.asarray(reference), np.asarray(window.bound_deg))
    )


def _reference_deg(window: Window, channel: int, now: float, stops: Mapping[Station, Stop]) -> float:
    match window.reference:
        case "setup":
            return 0.0
        case "top":
            return stops["top"].d_deg[channel] if "top" in stops else float("nan")
        case "impact":
            return stops["ball"].d_deg[channel] if "ball" in stops else float("nan")
        case "lowest":
            return min(now, stops["top"].d_deg[channel]) if "top" in stops else float("nan")
        case "absolute":
            return float("nan")


def direction_of(window: Window) -> Direction:
    """Which way a reading leaves the window."""
    return "above" if window.side == "below" else "below"


def judge(
    target: Target, placed: PlacedWindow, d_deg: Array, stops: Mapping[Station, Stop], still_deg: float
) -> Judged:
    """How far inside its window a repetition lies.

    Parameters
    ----------
    placed
        The window at the repetition's own setup.
    d_deg
        ``(n_frames, 3)`` angles relative to the setup from leaving it on; NaN where not recorded.
    stops
        The stations that were reached.
    still_deg
        How far the wrist moves within a stop at most.
    """
    window = placed.window
    if target.drill.rehearsal.unproven:
        return Judged(float("nan"), "unproven")
    if not placed.usable or not isinstance(window, Window):
        return Judged(float("nan"), "no-window")
    if np.isnan(d_deg[:, CHANNELS.index(window.channel)]).any():
        return Judged(float("nan"), "no-channel")
    if all(each in stops for each in target.needed):
        curve = curve_of(d_deg, stops, still_deg)
        margin = float(margins_deg(window, curve[None], unhinging_deg=None)[0])
        return Judged(margin) if np.isfinite(margin) else Judged(margin, "no-stop")
    return _whole_movement(window, d_deg, target, stops)


def curve_of(d_deg: Array, stops: Mapping[Station, Stop], still_deg: float) -> Array:
    """A repetition on the grid of phases, ``(3, n_phases)``, degrees relative to the setup.

    A stop is its station's moment, with its median. Between two stops the body is taken to move with minimum jerk
    (Flash & Hogan 1985, from memory); a stop begins and ends while the wrist is within `still_deg` of it, so the
    first and last bit of the movement are part of the stops. What comes before the setup is left and after the last
    stop is that stop's value.
    """
    places = load_places()
    order = sorted(stops, key=lambda each: places[each].phase)
    phases, values = [np.zeros(1)], [np.zeros((1, d_deg.shape[1]))]
    phase, frame, here = 0.0, 0, np.zeros(d_deg.shape[1])
    for station in order:
        stop = stops[station]
        moving = d_deg[frame : stop.first]
        there = np.array(stop.d_deg)
        if len(moving):
            share = _shares(len(moving), float(np.nanmax(np.abs(there - here))), still_deg)
            phases.append(phase + share * (places[station].phase - phase))
            values.append(moving)
        phases.append(np.array([places[station].phase]))
        values.append(there[None])
        phase, frame, here = places[station].phase, stop.last + 1, there
    at, read = np.concatenate(phases), np.concatenate(values)
    return np.stack([np.interp(PHASE_GRID, at, read[:, channel]) for channel in range(read.shape[1])])


def _shares(count: int, length_deg: float, still_deg: float) -> Array:
    """How far a movement of so many frames has come at each, 0 to 1, by minimum jerk."""
    hidden = min(still_deg / max(length_deg, still_deg), _MOST_HIDDEN)
    within = _TIMES[np.searchsorted(_MINIMUM_JERK, hidden)]
    return np.interp(within + (1 - 2 * within) * (np.arange(count) + 1) / (count + 1), _TIMES, _MINIMUM_JERK)


def _whole_movement(window: Window, d_deg: Array, target: Target, stops: Mapping[Station, Stop]) -> Judged:
    """What is certain of a repetition whose stops are not all known.

    A bound that the whole movement kept was kept, one that it never reached was not reached; relative to the top, since
    the top. Where the drill goes no further than the window's stretch and turns back there, a bound that was passed
    is passed within it.
    """
    channel = CHANNELS.index(window.channel)
    reference = 0.0
    if window.reference == "top" and "top" in stops:
        reference, d_deg = stops["top"].d_deg[channel], d_deg[stops["top"].first :]
    elif window.reference != "setup":
        return Judged(float("nan"), "no-stop")
    past = past_deg(window, d_deg[:, channel], np.array(reference), np.array(window.bound_deg))
    worst, best = float(past.max()), float(past.min())
    if window.must == "stay":
        turns_back = bool(window.end) and target.drill.rehearsal.stops == target.needed
        return Judged(-worst) if worst <= 0 or turns_back else Judged(float("nan"), "no-stop")
    return Judged(-best) if best > 0 else Judged(float("nan"), "no-stop")
