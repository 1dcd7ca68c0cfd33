"""The stations of a rehearsal: the stops by which practice knows where a repetition is.

Wrist angles do not show where the arm is. A player who rehearses stops at named places, in the drill's order, and a
stop is what a sensor on the wrist can see. `stations.toml` holds where the places lie in a swing, each drill of the
book which of them it asks for.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final, Literal, get_args

from faultml.coaching.window import AnyWindow, SpreadWindow
from faultml.errors import CatalogueError
from faultml.faults.catalogue import parse_position
from faultml.faults.measure import coordinate
from faultml.rules_file import NonEmpty, Positive, Record, load_data

Station = Literal["setup", "hip_back", "top", "halfway_down", "ball", "hip_through"]
STATIONS: Final[tuple[Station, ...]] = get_args(Station)

HOLDS_TO: Final = 0.1
"""So far past its own phase coordinate a stop still stands for the moment: fractions of body positions are medians."""

_REFERENCE_STATION: Final[dict[str, Station]] = {"top": "top", "impact": "ball", "lowest": "top"}


class Place(Record, frozen=True):
    """Where a station lies.

    Attributes
    ----------
    at
        The moment of a swing, such as ``b1.0``.
    typical_deg, sd_deg
        Usual angles relative to the setup and their spread over players, in the order of `CHANNELS`.
    elevation_deg
        Usual elevation of the lead forearm above level.
    words
        The place in a player's words.
    """

    at: NonEmpty
    typical_deg: tuple[float, float, float]
    sd_deg: tuple[Positive, Positive, Positive]
    elevation_deg: float
    words: NonEmpty

    @property
    def phase(self) -> float:
        """Phase coordinate of the moment."""
        return coordinate(parse_position(self.at))


class _PlacesFile(Record, frozen=True):
    schema: Literal[1]
    place: dict[Station, Place]


@lru_cache(maxsize=1)
def load_places() -> dict[Station, Place]:
    """Every station's place; raises `CatalogueError` where the file does not fit."""
    places = load_data(__package__, "stations.toml", _PlacesFile).place
    phases = [places[each].phase for each in STATIONS if each in places]
    if len(phases) != len(STATIONS) or phases != sorted(phases):
        raise CatalogueError(
            "bad-rules", where="stations.toml", expected="every station, in the order of a swing"
        )
    return places


class Rehearsal(Record, frozen=True):
    """How a drill's repetitions are followed.

    Attributes
    ----------
    stations
        Stops in order, the setup first; empty where no sensor can judge the drill.
    again_from
        Where the next repetition begins without a new setup; "" where each begins at the setup.
    min_move_deg
        A repetition leads at least so far from the setup, degrees of all angles together.
    adds
        What a player does beside the drill's steps, so that a sensor can follow; "" where the steps are enough.
    unproven
        Whether too many verdicts on it were wrong in tests: its repetitions are followed and counted, and not judged.
    why_alone
        Why no sensor judges it; the drill's check is then how the player does.
    """

    stations: tuple[Station, ...] = ()
    again_from: Station | Literal[""] = ""
    min_move_deg: Positive = 12.0
    adds: str = ""
    unproven: bool = False
    why_alone: str = ""

    @property
    def stops(self) -> tuple[Station, ...]:
        """The stations after the setup."""
        return self.stations[1:]


def needed_stops(window: AnyWindow, rehearsal: Rehearsal) -> tuple[Station, ...]:
    """The stops without which a window is not judged: where its reference lies, and where its stretch ends.

    The second is the drill's first stop that lies no more than `HOLDS_TO` before the stretch's end; where the drill
    turns back earlier, its last stop within the stretch.
    """
    if isinstance(window, SpreadWindow) or not rehearsal.stations:
        return ()
    places = load_places()
    start, end = (coordinate(moment) for moment in window.span)
    reached = [each for each in rehearsal.stops if places[each].phase >= end - HOLDS_TO]
    within = [each for each in rehearsal.stops if places[each].phase >= start]
    needed = {*(reached[:1] or within[-1:])}
    if "ball" in needed:
        # A stop a little past the ball looks like one at the ball: the stop after it tells them apart.
        needed.update(rehearsal.stops[rehearsal.stops.index("ball") + 1 :][:1])
    if window.reference in _REFERENCE_STATION:
        needed.add(_REFERENCE_STATION[window.reference])
    return tuple(each for each in STATIONS if each in needed)


def live_stops(window: AnyWindow, rehearsal: Rehearsal) -> tuple[Station, ...]:
    """The stops at which the wrist can be judged while the player stands there.

    A bound to reach is not among them: that it was not reached is known only afterwards. Nor is a
    stretch that ends well before the stop: how the wrist stands there is then another matter.
    """
    if isinstance(window, SpreadWindow) or window.must == "reach":
        return ()
    places = load_places()
    first, last = (coordinate(moment) for moment in window.span)
    return tuple(
        each
        for each in needed_stops(window, rehearsal)[-1:]
        if first - HOLDS_TO / 2 <= places[each].phase <= last + HOLDS_TO and window.reference != each
    )


def problems_of(window: AnyWindow, rehearsal: Rehearsal) -> list[str]:
    """What keeps a drill's stations from serving its window."""
    if isinstance(window, SpreadWindow) or not window.fault:
        return (
            []
            if rehearsal.why_alone and not rehearsal.stations
            else ["its stations are for no single repetition"]
        )
    if rehearsal.why_alone or rehearsal.stations[:1] != ("setup",):
        return ["its stations do not begin with the setup"]
    order = [STATIONS.index(each) for each in rehearsal.stations]
    if order != sorted(set(order)):
        return ["its stations are not in the order of a swing"]
    needed = needed_stops(window, rehearsal)
    if not needed:
        return ["no station of it lies in its window"]
    missing = {*needed, *([rehearsal.again_from] if rehearsal.again_from else [])} - {*rehearsal.stops}
    return [f"it lacks the station {', '.join(sorted(missing))}"] if missing else []


def stations_words(window: AnyWindow, rehearsal: Rehearsal) -> str:
    """How a sensor follows the drill, or why none does."""
    if not rehearsal.stations:
        return f"none: the check above is yours alone. {rehearsal.why_alone}"
    places = load_places()
    stops = ", ".join(places[each].words for each in rehearsal.stations)
    if rehearsal.unproven:
        judged = "the check above alone, because a sensor was wrong too often in tests"
    else:
        judged = " and ".join(places[each].words for each in needed_stops(window, rehearsal))
    return f"stops of 0.3 s or more in this order: {stops}; judged by {judged}. {rehearsal.adds}".strip()
