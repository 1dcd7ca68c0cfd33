"""Where the corridor can be drawn: bands, each an edge or two on a channel over a stretch of the swing."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from faultml.faults.catalogue import Catalogue, Fault
from faultml.faults.measure import coordinate

DRAWN_STATS: Final = ("at", "min", "max")
"""Measures read off one curve; differences between two moments have no place of their own on it."""


@dataclass(frozen=True)
class CorridorEdge:
    """One edge, degrees relative to address, with the fault it ends and whose edge it is."""

    deg: float
    fault: str
    name: str
    owner: str


@dataclass(frozen=True)
class CorridorBand:
    """A stretch of one channel that the curve has to pass inside.

    Attributes
    ----------
    channel
        Name of the channel.
    start, end
        Place in the swing: 0-1 backswing, 1-2 downswing, 2-3 after impact. Equal where the band is a moment.
    stat
        ``at``, ``min`` or ``max``: what of the curve has to be inside.
    low, high
        Its edges; None where that side is open.
    """

    channel: str
    start: float
    end: float
    stat: str
    low: CorridorEdge | None
    high: CorridorEdge | None

    def edges(self) -> list[CorridorEdge]:
        """The edges it has."""
        return [edge for edge in (self.low, self.high) if edge is not None]


def corridor_for(catalogue: Catalogue, player: str) -> tuple[CorridorBand, ...]:
    """The bands that hold for a player, in the order of the catalogue."""
    stretches: dict[tuple[str, str, float, float], list[Fault]] = {}
    for fault in catalogue.faults:
        if fault.measure.stat in DRAWN_STATS and fault.guard is None:
            first, last = (coordinate(moment) for moment in fault.measure.span)
            stretches.setdefault((fault.measure.channel, fault.measure.stat, first, last), []).append(fault)
    return tuple(
        CorridorBand(
            channel,
            first,
            last,
            stat,
            low=_edge(catalogue, player, faults, "below"),
            high=_edge(catalogue, player, faults, "above"),
        )
        for (channel, stat, first, last), faults in stretches.items()
    )


def band_at(corridor: Iterable[CorridorBand], channel: str, moment: float) -> CorridorBand | None:
    """The first band on a channel that holds at a moment."""
    return next(
        (band for band in corridor if band.channel == channel and band.start <= moment <= band.end), None
    )


def _edge(catalogue: Catalogue, player: str, faults: list[Fault], side: str) -> CorridorEdge | None:
    for fault in faults:
        if fault.side == side:
            value, owner = catalogue.edge(fault.id, player)
            return CorridorEdge(value, fault.id, fault.name, owner)
    return None
