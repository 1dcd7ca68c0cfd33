"""The practice window: what a swing has to do so that its fault does not show, and whether it did.

A window reads the same statistic as the fault of the catalogue that it is for, so that a swing with the fault lies
outside it and a sound swing inside. `docs/windows.md` gives the definition and the measured shares.
"""

from __future__ import annotations

from typing import Final, Literal, TypeAlias

import msgspec
import numpy as np
from numpy.typing import NDArray

from faultml.channels import CHANNELS, ULNAR
from faultml.errors import CatalogueError
from faultml.faults.catalogue import Catalogue, Channel, Fault, Position, parse_position
from faultml.faults.measure import IMPACT_INDEX, TOP_INDEX, coordinate, grid_index
from faultml.rules_file import InnerShare, NotNegative, Positive, Record

Array = NDArray[np.float64]

Reference = Literal["setup", "top", "impact", "lowest", "absolute"]
"""What a bound is relative to: the swing's own address, its own curve at the top or at impact, its own lowest value
since `LOWEST_SINCE`, or nothing (the angle of the wrist itself)."""
Must = Literal["stay", "reach"]
Side = Literal["above", "below"]

LOWEST_SINCE: Final = "b0.8"


class Window(Record, frozen=True, tag_field="judges", tag="swing", rename={"start": "from", "end": "to"}):
    """One bound on one channel over a stretch of the swing, judged swing by swing.

    Attributes
    ----------
    fault
        The fault whose statistic the window reads; "" for a setup drill, which the catalogue's address band bounds.
    channel, reference
        The angle, and what `bound_deg` is relative to.
    start, end
        First and last moment of the stretch; `end` is "" where the stretch is one moment.
    must, side
        The curve stays on this side of the bound all along the stretch, or reaches it somewhere in the stretch.
    bound_deg
        The bound, degrees from the reference. Where `share` is set it is the fallback.
    margin_deg
        How far inside the fault's edge the bound lies, degrees. A sound swing lies at least that far inside.
    guard_deg
        A second bound, degrees from the setup: a swing is outside only where it has passed both.
    share, min_unhinging_deg
        The bound is this share of the player's own unhinging (most hinged moment to impact); there is no window
        for a player who unhinges less than `min_unhinging_deg`.
    """

    fault: str
    channel: Channel
    reference: Reference
    start: str
    must: Must
    side: Side
    bound_deg: float
    end: str = ""
    margin_deg: NotNegative = 0.0
    guard_deg: float | None = None
    share: InnerShare | None = None
    min_unhinging_deg: float = 0.0

    @property
    def span(self) -> tuple[Position, Position]:
        """First and last moment of the stretch."""
        first = parse_position(self.start)
        return first, parse_position(self.end) if self.end else first

    @property
    def sign(self) -> int:
        """+1 where a larger reading is worse (the curve belongs below the bound), else -1."""
        return 1 if self.side == "below" else -1

    @property
    def edge_deg(self) -> float:
        """The fault's edge as a reading of the window, degrees."""
        return self.bound_deg + self.sign * self.margin_deg

    def ends_within(self, start: str, end: str) -> bool:
        """Whether the stretch ends between the moments `start` and `end`."""
        first, last = (coordinate(parse_position(text)) for text in (start, end))
        return first <= coordinate(self.span[1]) <= last


class SpreadWindow(Record, frozen=True, tag_field="judges", tag="spread"):
    """How alike the swings of a session have to be. No single swing can be judged by it.

    Attributes
    ----------
    fault
        The fault of a session whose spread is read.
    channel
        The angle it shows in.
    max_sd
        The largest SD over the session's swings, in the fault's unit.
    """

    fault: str
    channel: Channel
    max_sd: Positive


AnyWindow: TypeAlias = Window | SpreadWindow


def inside(
    window: AnyWindow,
    curves_deg: Array,
    *,
    unhinging_deg: float | Array | None = None,
    address_deg: Array | None = None,
) -> Array:
    """Whether each swing meets a window, ``(n_swings,)``: 1 inside, 0 outside, NaN where it cannot be judged.

    Parameters
    ----------
    window
        A window of the drill book, or one placed on a player (`faultml.coaching.place`).
    curves_deg
        ``(n_swings, n_channels, n_phases)`` degrees relative to each swing's address, on `PHASE_GRID`; NaN where not
        recorded.
    unhinging_deg
        The player's unhinging for a window that is a share of it, degrees: one number, or one a swing. Without it the
        window's fallback bound holds.
    address_deg
        ``(n_swings, n_channels)`` absolute angles at address, degrees, from a calibration pose after which the sensor
        was not moved. Without it a window on an absolute angle judges nothing.
    """
    margin = margins_deg(window, curves_deg, unhinging_deg=unhinging_deg, address_deg=address_deg)
    return np.where(np.isfinite(margin), (margin >= 0).astype(float), np.nan)


def margins_deg(
    window: AnyWindow,
    curves_deg: Array,
    *,
    unhinging_deg: float | Array | None = None,
    address_deg: Array | None = None,
) -> Array:
    """How far inside a window each swing lies, degrees, ``(n_swings,)``: negative outside, NaN where not judged.

    Of a curve that has to stay on a side it is the worst moment of the stretch, of one that has to reach a bound the
    best. Parameters as of `inside`.
    """
    count = len(curves_deg)
    if isinstance(window, SpreadWindow):
        return np.full(count, np.nan)
    channel = CHANNELS.index(window.channel)
    first, last = (grid_index(moment) for moment in window.span)
    curve = curves_deg[:, channel]
    part = curve[:, first : last + 1]
    reference = _reference(window.reference, curve, first, last)
    if window.reference == "absolute":
        reference = np.full((count, 1), np.nan) if address_deg is None else -address_deg[:, [channel]]
    bound = _bounds_deg(window, unhinging_deg, count)[:, None]
    known = np.isfinite(part - reference - bound).all(axis=1)
    past = past_deg(window, part, reference, bound)
    worst = past.max(axis=1) if window.must == "stay" else past.min(axis=1)
    return np.where(known, -worst, np.nan)


def past_deg(window: Window, reading_deg: Array, reference_deg: Array, bound_deg: Array) -> Array:
    """How far readings lie past the bound, degrees; negative on the side where the curve belongs.

    Parameters
    ----------
    reading_deg
        Readings of the window's channel relative to the setup, of any shape.
    reference_deg, bound_deg
        What the bound is relative to, and the bound itself; broadcast against `reading_deg`.
    """
    past = window.sign * (reading_deg - reference_deg - bound_deg)
    if window.guard_deg is None:
        return past
    return np.minimum(past, window.sign * (reading_deg - window.guard_deg))


def unhinging(curves_deg: Array) -> Array:
    """Unhinging of each swing, degrees, ``(n_swings,)``: ulnar deviation at impact less its lowest since b 0.8."""
    ulnar = curves_deg[:, ULNAR]
    since = grid_index(parse_position(LOWEST_SINCE))
    return ulnar[:, IMPACT_INDEX] - ulnar[:, since : IMPACT_INDEX + 1].min(axis=1)


def _reference(reference: Reference, curve: Array, first: int, last: int) -> Array:
    """What the readings of a stretch are relative to, ``(n_swings, 1)`` or one value a moment."""
    match reference:
        case "top":
            return curve[:, [TOP_INDEX]]
        case "impact":
            return curve[:, [IMPACT_INDEX]]
        case "lowest":
            since = grid_index(parse_position(LOWEST_SINCE))
            return np.minimum.accumulate(curve[:, since : last + 1], axis=1)[:, first - since :]
        case "setup" | "absolute":
            return np.zeros((len(curve), 1))


def _bounds_deg(window: Window, unhinging_deg: float | Array | None, count: int) -> Array:
    if window.share is None or unhinging_deg is None:
        return np.full(count, window.bound_deg)
    own = np.broadcast_to(np.asarray(unhinging_deg, dtype=float), (count,))
    return np.where(own >= window.min_unhinging_deg, window.share * own, np.nan)


def fitted(window: AnyWindow, catalogue: Catalogue, player: str) -> AnyWindow:
    """The window that belongs to the edge which holds for a player: an edge that was moved moves the bound."""
    if isinstance(window, SpreadWindow) or not window.fault:
        return window
    return at_edge(window, catalogue[window.fault], catalogue.edge(window.fault, player).value)


def at_edge(window: Window, fault: Fault, edge: float) -> Window:
    """The window for another edge of its fault, in the fault's own unit."""
    if edge == fault.edge:
        return window
    if fault.unit == "share":
        return msgspec.structs.replace(window, start=f"d{edge:.2f}")
    return msgspec.structs.replace(
        window, bound_deg=window.bound_deg + reads(window, fault) * (edge - fault.edge)
    )


def reads(window: Window, fault: Fault) -> int:
    """+1 where the window's reading is the fault's measure, -1 where it is the measure's negative."""
    return -1 if window.side == fault.side else 1


def problems_of(window: AnyWindow, when: str, catalogue: Catalogue) -> list[str]:
    """What does not fit between a window and the catalogue; `when` is the setup warning of a setup drill."""
    if isinstance(window, SpreadWindow):
        entry = next((each for each in catalogue.session_faults if each.id == window.fault), None)
        if entry is None:
            return [f"its window is for the unknown session fault {window.fault!r}"]
        return [] if window.max_sd <= entry.edge else ["its window is wider than the fault's edge"]
    try:
        _ = window.span
    except CatalogueError as error:
        return [str(error)]
    if not window.fault:
        band = {
            "address-extension-high": -catalogue.address.extension_high,
            "address-extension-low": -catalogue.address.extension_low,
        }
        fits = window.reference == "absolute" and when in band and window.edge_deg == band[when]
        return [] if fits else ["its window is not the catalogue's address band with the margin"]
    if window.fault not in catalogue.ids:
        return [f"its window is for the unknown fault {window.fault!r}"]
    return _misfits(window, catalogue[window.fault])


def _misfits(window: Window, fault: Fault) -> list[str]:
    """What keeps a window from reading its fault's statistic at its fault's edge."""
    found = []
    measure = fault.measure
    if window.channel != measure.channel:
        found.append("its window reads another channel than its fault")
    first, last = sorted(coordinate(moment) for moment in measure.span)
    if not all(first <= coordinate(moment) <= last for moment in window.span):
        found.append("its window lies outside the moments its fault is read at")
    if fault.unit == "share":
        if (
            window.start != f"d{fault.edge:.1f}"
            or window.share != measure.share
            or window.reference != "lowest"
        ):
            found.append("its window is not the catalogue's share at the catalogue's moment")
    elif window.edge_deg != reads(window, fault) * fault.edge:
        found.append("its bound is not the fault's edge with the margin")
    needed: dict[str, tuple[Reference, ...]] = {
        "drop": ("top",),
        "change": ("top", "impact"),
        "release": ("lowest",),
    }
    if window.reference not in needed.get(measure.stat, ("setup",)):
        found.append("its window has another reference than its fault's measure")
    if (window.guard_deg is None) != (fault.guard is None):
        found.append("its window and its fault do not both have a guard")
    return found
