"""The fault catalogue: typed, checked, and open to overrides that say whose they are.

The catalogue is data (`catalogue.toml`). A site, a group or one player may move edges with a small file::

    owner = "Lindow Park academy"

    [[edge]]
    fault = "flexed_top"
    value = 30.0

    [[edge]]
    fault = "flexed_top"
    value = 34.0
    player = "p07"

"""

from __future__ import annotations

import hashlib
import re
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Final, Literal, NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from faultml.channels import CHANNELS, PRONATION
from faultml.errors import CatalogueError
from faultml.rules_file import NonEmpty, Positive, load_data

PHASE_STARTS: Final = {"b": 0, "d": 1, "f": 2}
_POSITION = re.compile(r"([bdf])(-?\d+(?:\.\d+)?)")

Channel = Literal["flexion_deg", "ulnar_deg", "pronation_deg"]
Unit = Literal["deg", "share"]

EDGE_BOUNDS: Final[dict[Unit, tuple[float, float]]] = {"deg": (-90.0, 90.0), "share": (0.0, 1.0)}
"""Where an edge can lie: outside them it is a mistake, such as a share written in percent."""


class Position(NamedTuple):
    """A moment of the swing: phase letter (b, d or f) and fraction."""

    phase: str
    fraction: float

    def __str__(self) -> str:
        return f"{self.phase} {self.fraction:.2f}"


def parse_position(text: str) -> Position:
    """Read ``"b0.6"`` as ``Position("b", 0.6)``; raises `CatalogueError` for anything else."""
    match = _POSITION.fullmatch(text)
    if match is None:
        raise CatalogueError(
            "bad-position", expected="b, d or f and a number, as in 'b0.6'", found=repr(text)
        )
    return Position(match[1], float(match[2]))


class Measure(msgspec.Struct, frozen=True, forbid_unknown_fields=True, rename={"start": "from", "end": "to"}):
    """How a fault is read off one channel, in degrees relative to address.

    ``at`` reads `start`; ``min`` and ``max`` search `start` to `end`; ``drop`` is the value at `start` less
    the minimum up to `end`; ``change`` is the value at `end` less the value at `start`; ``release`` is the
    fraction of the downswing by which `share` of the unhinging (most hinged moment to impact) is spent.
    """

    stat: Literal["at", "min", "max", "drop", "change", "release"]
    channel: Channel
    start: str
    end: str = ""
    share: float = 0.25
    min_deg: float = 0.0

    @property
    def span(self) -> tuple[Position, Position]:
        """First and last moment the measure needs."""
        first = parse_position(self.start)
        return first, parse_position(self.end) if self.end else first

    @property
    def channel_index(self) -> int:
        """Index on the channel axis."""
        return CHANNELS.index(self.channel)

    @property
    def shown_sign(self) -> int:
        """-1 where a change is read from the later moment to the earlier, else 1.

        People are shown every change forward in time, so that + and - mean what they mean of the angle.
        """
        start, end = (PHASE_STARTS[place.phase] + place.fraction for place in self.span)
        return -1 if self.stat == "change" and start > end else 1


class Guard(
    Measure, frozen=True, forbid_unknown_fields=True, kw_only=True, rename={"start": "from", "end": "to"}
):
    """A second reading that must lie below `below` for the fault to be present."""

    below: float


class Fault(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One fault of the catalogue."""

    id: str
    name: str
    words: str
    measure: Measure
    side: Literal["above", "below"]
    edge: float
    phase: Literal["takeaway", "top", "transition", "downswing", "impact", "release"]
    face: str
    ball: str
    mimics: tuple[str, ...]
    unit: Unit = "deg"
    guard: Guard | None = None
    brings: tuple[str, ...] = ()
    brings_pattern: str = ""
    source: str = "common practice, no source"

    @property
    def sign(self) -> int:
        """+1 where a larger measure is worse, -1 where a smaller one is."""
        return 1 if self.side == "above" else -1

    @property
    def needs_pronation(self) -> bool:
        """Whether the fault rests on forearm rotation."""
        return self.measure.channel_index == PRONATION


class SessionFault(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A fault of a session: how much a measure wanders over its swings."""

    id: str
    name: str
    words: str
    of: tuple[str, ...]
    stat: Literal["sd"]
    edge: Positive
    unit: Unit
    min_swings: int
    phase: str
    source: str = "common practice, no source"


class LateSave(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A strong bow (peak past `past`) of which much is given back by impact."""

    peak: Measure
    past: float
    given_back: float
    given_back_share: float


class Address(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Lead-wrist extension at address outside which the setup is warned about, degrees."""

    extension_high: float
    extension_low: float


class Softness(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """SD of the normal curve by which a careful coach's yes rises across an edge."""

    deg: Positive
    share: Positive


class EdgeOverride(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """An edge moved by a site, a group or for one player (empty: for everybody)."""

    fault: str
    value: float
    player: str = ""


class _OverrideFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    owner: NonEmpty
    edge: tuple[EdgeOverride, ...]


class _CatalogueFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    schema: Literal[1]
    owner: str
    softness: Softness
    fault: tuple[Fault, ...]
    session_fault: tuple[SessionFault, ...]
    late_save: LateSave
    address: Address


class Edge(NamedTuple):
    """An edge and whose it is."""

    value: float
    owner: str


class Catalogue:
    """All faults in catalogue order, with edges that may differ by player."""

    def __init__(
        self, file: _CatalogueFile, overrides: _OverrideFile | None = None, *, where: str = ""
    ) -> None:
        self.faults = file.fault
        self.session_faults = file.session_fault
        self.late_save = file.late_save
        self.address = file.address
        self.softness = file.softness
        self.owner = file.owner
        self.ids = tuple(fault.id for fault in self.faults)
        self._overrides = overrides
        self.overrides_file = where
        self._check()
        if overrides:
            self._check_overrides(overrides, where)

    def _check(self) -> None:
        known = set(self.ids)
        if len(known) != len(self.ids):
            raise CatalogueError("repeated-fault", expected="each fault id once", found=", ".join(self.ids))
        named = [brought for fault in self.faults for brought in fault.brings]
        named += [fault for session in self.session_faults for fault in session.of]
        for name in named:
            if name not in known:
                raise CatalogueError("unknown-fault", expected="a fault of the catalogue", found=repr(name))
        for fault in self.faults:
            _ = fault.measure.span, fault.guard and fault.guard.span

    def _check_overrides(self, overrides: _OverrideFile, where: str) -> None:
        seen = set()
        for edge in overrides.edge:
            if edge.fault not in self._by_id:
                expected = "a fault of the catalogue"
                raise CatalogueError("unknown-fault", where=where, expected=expected, found=repr(edge.fault))
            if (edge.fault, edge.player) in seen:
                expected = "one edge a fault and player"
                raise CatalogueError("repeated-edge", where=where, expected=expected, found=edge.fault)
            seen.add((edge.fault, edge.player))
            unit = self[edge.fault].unit
            low, high = EDGE_BOUNDS[unit]
            if not low <= edge.value <= high:
                expected, found = f"{low:g} to {high:g} ({unit})", f"{edge.value:g} for {edge.fault}"
                raise CatalogueError("bad-edge", where=where, expected=expected, found=found)

    def __getitem__(self, fault_id: str) -> Fault:
        return self._by_id[fault_id]

    @cached_property
    def _by_id(self) -> dict[str, Fault]:
        return {fault.id: fault for fault in self.faults}

    @cached_property
    def softness_by_fault(self) -> NDArray[np.float64]:
        """Softness of every fault's edge in the fault's own unit, ``(n_faults,)``."""
        return np.array([getattr(self.softness, fault.unit) for fault in self.faults])

    @cached_property
    def signs(self) -> NDArray[np.float64]:
        """+1 or -1 for every fault, ``(n_faults,)``: the direction in which a measure gets worse."""
        return np.array([fault.sign for fault in self.faults], dtype=float)

    def edge(self, fault_id: str, player: str = "") -> Edge:
        """The edge that holds for a player, and whose it is."""
        chosen = Edge(self[fault_id].edge, self.owner)
        if self._overrides:
            for override in sorted(self._overrides.edge, key=lambda item: item.player != ""):
                if override.fault == fault_id and override.player in ("", player):
                    chosen = Edge(override.value, self._overrides.owner)
        return chosen

    @property
    def own_edge_players(self) -> frozenset[str]:
        """Players with an edge of their own."""
        own = self._overrides.edge if self._overrides else ()
        return frozenset(edge.player for edge in own if edge.player)

    def edges(self, players: NDArray[np.object_] | list[str]) -> NDArray[np.float64]:
        """Edges for each of many players, ``(n_players, n_faults)``."""
        by_player = {
            player: [self.edge(fault, player).value for fault in self.ids] for player in set(players)
        }
        return np.array([by_player[player] for player in players]).reshape(len(players), len(self.ids))

    @cached_property
    def digest(self) -> str:
        """SHA-256 over the catalogue's content, overrides included."""
        content = [
            self.faults,
            self.session_faults,
            self.late_save,
            self.address,
            self.softness,
            self._overrides,
        ]
        return hashlib.sha256(msgspec.json.encode(content)).hexdigest()


def _decode_overrides(text: str, where: str) -> _OverrideFile:
    try:
        return msgspec.toml.decode(text, type=_OverrideFile)
    except msgspec.MsgspecError as error:
        expected = "owner, and [[edge]] with fault and value"
        raise CatalogueError("bad-catalogue", where=where, expected=expected, found=str(error)) from error


@lru_cache(maxsize=1)
def _default_file() -> _CatalogueFile:
    return load_data(__package__, "catalogue.toml", _CatalogueFile)


def load_catalogue(overrides: Path | None = None) -> Catalogue:
    """The default catalogue, with the edges of an override file where one is given.

    Raises
    ------
    CatalogueError
        Where the override file cannot be read, does not fit its schema, names an unknown fault, or moves an
        edge twice or out of bounds.
    """
    if overrides is None:
        return Catalogue(_default_file())
    where = str(overrides)
    try:
        text = overrides.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        expected = "a UTF-8 TOML file"
        raise CatalogueError(
            "unreadable-catalogue", where=where, expected=expected, found=str(error)
        ) from error
    return Catalogue(_default_file(), _decode_overrides(text, where), where=where)
