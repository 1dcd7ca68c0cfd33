"""What the engine says: typed events in the order of the recording's clock."""

from __future__ import annotations

from typing import Literal, TypeAlias

import msgspec

from faultml.coaching.stations import Station

Verdict = Literal["inside", "outside", "not-judged"]
Direction = Literal["above", "below"]
"""Which way a reading has left its window: past a bound that it should stay below, or above."""

TroubleCode = Literal["lost", "silent", "late", "turned", "moved", "drift", "dead"]
NotJudged = Literal[
    "",
    "setup-differs",
    "no-stop",
    "broken-off",
    "samples-lost",
    "sensor-turned",
    "no-window",
    "no-channel",
    "no-full-swing",
    "unproven",
]
"""Why a repetition has no verdict; "" where it has one."""


class Event(msgspec.Struct, frozen=True, kw_only=True, tag_field="event"):
    """Something at a moment of the recording's clock, seconds."""

    t_s: float


class SetupTaken(Event, frozen=True, kw_only=True, tag="setup"):
    """The player stands at a setup: absolute angles in the order of `CHANNELS`, degrees; the next movement may be
    judged.
    """

    setup_deg: tuple[float, float, float]


class SetUpAgain(Event, frozen=True, kw_only=True, tag="set-up-again"):
    """The player stands near the usual setup and not in it: by so much in each angle, degrees."""

    off_deg: tuple[float, float, float]


class StationReached(Event, frozen=True, kw_only=True, tag="station"):
    """The player has stopped at a station, as far as is known now."""

    station: Station


class CueOn(Event, frozen=True, kw_only=True, tag="cue-on"):
    """The wrist has left the window, by so much."""

    direction: Direction
    past_deg: float


class CueOff(Event, frozen=True, kw_only=True, tag="cue-off"):
    """It is back at the bound (``inside``), has moved on, or is not to be trusted (``trouble``)."""

    why: Literal["inside", "moved-on", "trouble"]


class CareStop(Event, frozen=True, kw_only=True, tag="care-stop"):
    """The wrist stands near the end of usual wrist motion: another sound, and stop. Not a medical finding."""

    channel: str


class StationTime(msgspec.Struct, frozen=True, kw_only=True):
    """A stop at a station, seconds on the recording's clock."""

    station: Station
    start_s: float
    end_s: float


class Repetition(Event, frozen=True, kw_only=True, tag="repetition"):
    """A repetition has ended.

    Attributes
    ----------
    number
        Counts from 1.
    start_s, end_s
        From leaving the setup to the end of its last stop.
    stations
        The stops that were recognised as stations.
    verdict, why
        Whether it met the window; where it is not judged, why.
    margin_deg
        How far inside the bound, degrees; negative outside, None where not judged.
    setup_deg
        The setup it began at, absolute angles, degrees.
    whole
        Whether every station was reached that the window needs; a part counts as a repetition too.
    """

    number: int
    start_s: float
    end_s: float
    stations: tuple[StationTime, ...]
    verdict: Verdict
    why: NotJudged = ""
    margin_deg: float | None = None
    setup_deg: tuple[float, float, float]
    whole: bool


class FullSwing(Event, frozen=True, kw_only=True, tag="full-swing"):
    """Something faster than a rehearsal, read after it has ended as `classify` would: times, verdict and margin as
    above.
    """

    start_s: float
    end_s: float
    verdict: Verdict
    why: NotJudged = ""
    margin_deg: float | None = None


class Trouble(Event, frozen=True, kw_only=True, tag="trouble"):
    """The samples are not to be trusted: the cue is quiet until the next good setup."""

    code: TroubleCode


AnyEvent: TypeAlias = (
    SetupTaken | SetUpAgain | StationReached | CueOn | CueOff | CareStop | Repetition | FullSwing | Trouble
)
