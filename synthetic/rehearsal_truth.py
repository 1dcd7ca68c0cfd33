"""What is true of a rehearsal: its repetitions, the places they passed, how far each lies inside the drill's window.

A window speaks of moments of the swing; in a rehearsal a moment is the place where the body is then, however long it
took to get there. At a stop there the wrist's median over the stop is read, else its angle on passing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from faultml.channels import CHANNELS
from faultml.faults.catalogue import Position
from faultml.faults.measure import coordinate

Array = NDArray[np.float64]

NEAR_PHASE: Final = 0.02
"""A place is at a moment where their phase coordinates differ by no more than this."""
LOWEST_SINCE_PHASE: Final = 0.8
MOMENT_DOUBT_PHASE: Final = 0.05
"""How far off the place of a moment that is no stop can be read: practice, no source."""
_UNREACHED: Final = float("nan")


class AskedWindow(Protocol):
    """What is read of a practice window: the book's, or one placed on a player."""

    @property
    def channel(self) -> str: ...  # noqa: D102
    @property
    def reference(self) -> str: ...  # noqa: D102
    @property
    def span(self) -> tuple[Position, Position]: ...  # noqa: D102
    @property
    def must(self) -> str: ...  # noqa: D102
    @property
    def side(self) -> str: ...  # noqa: D102
    @property
    def bound_deg(self) -> float: ...  # noqa: D102
    @property
    def guard_deg(self) -> float | None: ...  # noqa: D102


class Visit(NamedTuple):
    """A place of the drill on a repetition's way; both times are the same where it was passed without a stop."""

    place: str
    phase: float
    from_s: float
    to_s: float

    @property
    def stopped(self) -> bool:
        """Whether the body rested there."""
        return self.to_s > self.from_s


class Span(NamedTuple):
    """A time in which no repetition is made, and what is done instead."""

    what: str
    from_s: float
    to_s: float


class Way(NamedTuple):
    """One repetition from its still setup to its end: times and phases ``(n,)``, visits, hesitations ``(from, to)``."""

    t_s: Array
    phase: Array
    visits: tuple[Visit, ...]
    hesitations_s: tuple[tuple[float, float], ...]

    def visit_at(self, phase: float) -> Visit | None:
        """The visit of a place at this moment."""
        near = (visit for visit in self.visits if abs(visit.phase - phase) <= NEAR_PHASE)
        return next(near, None)

    def first_s(self, phase: float) -> float:
        """When this moment is first reached; NaN where it is not."""
        visit = self.visit_at(phase)
        if visit is not None:
            return visit.from_s
        after = int((self.phase >= phase).argmax())
        if self.phase[after] < phase:
            return _UNREACHED
        return self._crossing_s(after - 1, phase) if after else float(self.t_s[0])

    def last_s(self, phase: float) -> float:
        """When this moment is left for good; the end of the way where the moment is not reached."""
        visit = self.visit_at(phase)
        if visit is not None:
            return visit.to_s
        before = len(self.phase) - 1 - int((self.phase[::-1] <= phase).argmax())
        return self._crossing_s(before, phase) if before < len(self.t_s) - 1 else float(self.t_s[-1])

    def _crossing_s(self, before: int, phase: float) -> float:
        pair = slice(before, before + 2)
        return float(np.interp(phase, self.phase[pair], self.t_s[pair]))


class Reading(NamedTuple):
    """A window's statistic on one repetition; NaN where its moments are not reached.

    Attributes
    ----------
    margin_deg
        How far inside the bound the statistic lies, degrees: negative outside.
    reference_deg
        The absolute angle that the bound is relative to (for `lowest`, at the end of the stretch).
    from_s, to_s
        The stretch that is read; a single moment at a stop is the stop.
    crossed_s
        When the bound was first passed in the stretch (`stay`) or first met (`reach`); NaN where it was not.
    """

    margin_deg: float
    reference_deg: float
    from_s: float
    to_s: float
    crossed_s: float


NOT_READ: Final = Reading(*[_UNREACHED] * 5)


@dataclass(frozen=True)
class RepetitionTruth:
    """One repetition.

    Attributes
    ----------
    start_s, end_s
        From leaving the setup to the end of the rest at the last place, on the recording's clock. Of a setup drill: the
        time the setup is held.
    visits
        The places passed, the setup first, as far as the repetition went.
    hesitations_s
        Where the motion halted between places, ``(from, to)``.
    whole, whole_stretch
        Whether the drill's last place and whether the end of the window's stretch was reached.
    setup_deg
        ``(3,)`` absolute angles at this repetition's setup, medians over the still part.
    reading
        The window's statistic by the true motion.
    moment_doubt_deg
        How much the margin moves where a moment that is no stop is read 0.05 of a phase early or late.
    """

    start_s: float
    end_s: float
    visits: tuple[Visit, ...]
    hesitations_s: tuple[tuple[float, float], ...]
    whole: bool
    whole_stretch: bool
    setup_deg: Array
    reading: Reading
    moment_doubt_deg: float

    @property
    def margin_deg(self) -> float:
        """How far inside the bound, degrees; NaN where it cannot be judged."""
        return self.reading.margin_deg

    @property
    def inside(self) -> bool | None:
        """Whether the window was met; None where it cannot be judged."""
        return None if np.isnan(self.margin_deg) else self.margin_deg >= 0


@dataclass(frozen=True)
class RehearsalTruth:
    """What was done, on the recording's clock.

    Attributes
    ----------
    t_s, angles_deg, elevation_deg
        ``(n,)``, ``(3, n)`` and ``(n,)``: the true motion at 500 Hz.
    usual_setup_deg
        ``(3,)`` the golfer's usual absolute angles at setup.
    repetitions, spans
        Both in order of time. What lies in neither is a setup that is held before a repetition.
    turned_s, off_s
        When the sensors turned on the arm, and from when to when the recorder was silent; NaN where it did not happen.
    """

    t_s: Array
    angles_deg: Array
    elevation_deg: Array
    usual_setup_deg: Array
    repetitions: tuple[RepetitionTruth, ...]
    spans: tuple[Span, ...]
    turned_s: float
    off_s: tuple[float, float]


def setup_angles(way: Way, angles_deg: Array) -> Array:
    """Absolute angles at the setup of a repetition, ``(3,)``."""
    setup = way.visits[0]
    return np.array([_value(way.t_s, row, setup.from_s, setup.to_s) for row in angles_deg])


def read_window(window: AskedWindow, way: Way, angles_deg: Array, shift: float = 0.0) -> Reading:
    """The window's statistic on one repetition with absolute angles ``(3, n)``.

    `shift` moves the moments that are no stops by so much phase.
    """
    curve, setup = angles_deg[CHANNELS.index(window.channel)], way.visits[0]
    first, last = (coordinate(moment) for moment in window.span)
    if way.phase.max() < first - NEAR_PHASE:
        return NOT_READ
    from_s = way.first_s(_moved(way, first, shift))
    to_s = from_s if last == first else way.last_s(_moved(way, last, shift))
    visit = way.visit_at(first)
    if last == first and visit is not None:
        to_s = visit.to_s
    if not from_s <= to_s:
        return NOT_READ
    setup_deg = _value(way.t_s, curve, setup.from_s, setup.to_s)
    if last == first:
        t_s, values = np.array([from_s]), np.array([_value(way.t_s, curve, from_s, to_s)])
    else:
        t_s, values = _stretch(way.t_s, curve, from_s, to_s)
    match window.reference:
        case "setup":
            reference = np.full(len(t_s), setup_deg)
        case "absolute":
            reference = np.zeros(len(t_s))
        case "lowest":
            since_s, since = _stretch(way.t_s, curve, way.first_s(LOWEST_SINCE_PHASE), to_s)
            reference = np.array([since[since_s <= at_s].min() for at_s in t_s])
        case moment:
            at = way.visit_at({"top": 1.0, "impact": 2.0}[moment])
            if at is None:
                return NOT_READ
            reference = np.full(len(t_s), _value(way.t_s, curve, at.from_s, at.to_s))
    sign = 1.0 if window.side == "below" else -1.0
    margins = sign * (reference + window.bound_deg - values)
    if window.guard_deg is not None:
        margins = np.maximum(margins, sign * (setup_deg + window.guard_deg - values))
    stay = window.must == "stay"
    crossed = margins < 0 if stay else margins >= 0
    return Reading(
        margin_deg=float(margins.min() if stay else margins.max()),
        reference_deg=float(reference[-1]),
        from_s=from_s,
        to_s=to_s,
        crossed_s=float(t_s[crossed.argmax()]) if crossed.any() else _UNREACHED,
    )


def moment_doubt(window: AskedWindow, way: Way, angles_deg: Array) -> float:
    """How much the margin depends on where exactly moments that are no stops are read, degrees."""
    margins = [
        read_window(window, way, angles_deg, shift).margin_deg
        for shift in (-MOMENT_DOUBT_PHASE, 0.0, MOMENT_DOUBT_PHASE)
    ]
    return float(np.nanmax(margins) - np.nanmin(margins)) if np.isfinite(margins).any() else _UNREACHED


def _moved(way: Way, phase: float, shift: float) -> float:
    visit = way.visit_at(phase)
    return phase if visit is not None and visit.stopped else phase + shift


def _stretch(t_s: Array, curve: Array, from_s: float, to_s: float) -> tuple[Array, Array]:
    """Times and values from `from_s` to `to_s`, both ends included."""
    within = (t_s > from_s) & (t_s < to_s)
    times = np.concatenate([[from_s], t_s[within], [to_s]])
    return times, np.interp(times, t_s, curve)


def _value(t_s: Array, curve: Array, from_s: float, to_s: float) -> float:
    """Median over a stop, or the value at one moment."""
    return float(np.median(_stretch(t_s, curve, from_s, to_s)[1]))
