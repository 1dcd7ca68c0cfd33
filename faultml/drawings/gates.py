"""Where the corridor can be drawn: gates, each an edge or two on a channel over a stretch of the swing."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from faultml.faults.catalogue import Catalogue, Fault
from faultml.faults.measure import coordinate

DRAWN_STATS: Final = ("at", "min", "max")
"""Measures read off one curve; differences between two moments have no place of their own on it."""


@dataclass(frozen=True)
class GateEdge:
    """One edge, degrees relative to address, with the fault it ends and whose edge it is."""

    deg: float
    fault: str
    name: str
    owner: str


@dataclass(frozen=True)
class Gate:
    """A stretch of one channel that the curve has to pass inside.

    Attributes
    ----------
    channel
        Name of the channel.
    start, end
        Place in the swing: 0-1 backswing, 1-2 downswing, 2-3 after impact. Equal where the gate is a moment.
    stat
        ``at``, ``min`` or ``max``: what of the curve has to be inside.
    low, high
        Its edges; None where that side is open.
    """

    channel: str
    start: float
    end: float
    stat: str
    low: GateEdge | None
    high: GateEdge | None

    def edges(self) -> list[GateEdge]:
        """The edges it has."""
        return [edge for edge in (self.low, self.high) if edge is not None]


def gates_for(catalogue: Catalogue, player: str) -> tuple[Gate, ...]:
    """The gates that hold for a player, in the order of the catalogue."""
    stretches: dict[tuple[str, str, float, float], list[Fault]] = {}
    for fault in catalogue.faults:
        if fault.measure.stat in DRAWN_STATS and fault.guard is None:
            first, last = (coordinate(moment) for moment in fault.measure.span)
            stretches.setdefault((fault.measure.channel, fault.measure.stat, first, last), []).append(fault)
    return tuple(
        Gate(
            channel,
            first,
            last,
            stat,
            low=_edge(catalogue, player, faults, "below"),
            high=_edge(catalogue, player, faults, "above"),
        )
        for (channel, stat, first, last), faults in stretches.items()
    )


def gate_at(gates: Iterable[Gate], channel: str, moment: float) -> Gate | None:
    """The first gate on a channel that holds at a moment."""
    return next(
        (gate for gate in gates if gate.channel == channel and gate.start <= moment <= gate.end), None
    )


def _edge(catalogue: Catalogue, player: str, faults: list[Fault], side: str) -> GateEdge | None:
    for fault in faults:
        if fault.side == side:
            value, owner = catalogue.edge(fault.id, player)
            return GateEdge(value, fault.id, fault.name, owner)
    return None
