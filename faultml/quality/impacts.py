"""What placed the impacts of a season, and what marked swings would gain: the cheapest thing a coach can do."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final

import msgspec

from faultml.errors import InputError
from faultml.recordings.corrections import MIN_MARKED
from faultml.recordings.problems import shorten

INFERRED: Final = "inferred"
_MARKED: Final = ("recorder", "shock", "coach")
_WORDS: Final = {
    "recorder": "by the recorder's contact mark",
    "shock": "by the shock of contact",
    "coach": "by a coach's mark",
    "timing": "by the player's timing",
    INFERRED: "from the wrist's motion alone",
}
_GAIN: Final = (
    "Three swings a player with contact marked (on the desk, or in marks.csv) and faultml timing learn would make the "
    "faults at impact surer for {players}: on three kinds of generated golfers impact's median error fell from "
    "5.8-7.5 ms to 4.3-5.1 ms, which brings about half of what marking every swing does."
)
"""Figures of ``python -m faultml.pipelines.benchmarks.timing``, in docs/contact.md: synthetic."""


class Impacts(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Assessed swings by what placed their impact, and how many players would gain by three marked swings.

    Attributes
    ----------
    swings
        Recorder, shock, coach, timing or inferred -> swings; what placed none is left out.
    players
        Players with inferred impacts and fewer than `MIN_MARKED` marked swings.
    """

    swings: dict[str, int] = {}
    players: int = 0


def count_impacts(counts: Iterable[tuple[str, str, int]]) -> Impacts:
    """Impacts from swings by player and what placed them; each player and source may stand several times."""
    by_player: dict[str, dict[str, int]] = {}
    total: dict[str, int] = {}
    for player, placed_by, n in counts:
        own = by_player.setdefault(player, {})
        own[placed_by] = own.get(placed_by, 0) + n
        total[placed_by] = total.get(placed_by, 0) + n
    gain = [
        own.get(INFERRED, 0) > 0 and sum(own.get(name, 0) for name in _MARKED) < MIN_MARKED
        for own in by_player.values()
    ]
    return Impacts({name: total[name] for name in _WORDS if total.get(name)}, sum(gain))


def read_impacts(run: Mapping[str, Any]) -> Impacts:
    """What ``run.json`` says of the impacts; nothing for results of an earlier version.

    Raises
    ------
    InputError
        ``damaged-results``.
    """
    try:
        return msgspec.convert(run.get("impacts", {}), Impacts)
    except msgspec.ValidationError as error:
        raise InputError(
            "damaged-results", where="run.json", expected="impacts as they were written", found=shorten(error)
        ) from error


def impact_sentences(impacts: Impacts) -> list[str]:
    """What placed the impacts, and what marked swings would gain; nothing where nothing was assessed."""
    if not impacts.swings:
        return []
    total = sum(impacts.swings.values())
    parts = [f"{n:,} {_WORDS[name]}" for name, n in impacts.swings.items() if name in _WORDS]
    lines = [f"Impact of {total:,} swing{'' if total == 1 else 's'}: {', '.join(parts)}."]
    if impacts.players:
        players = "1 player" if impacts.players == 1 else f"{impacts.players:,} players"
        lines.append(_GAIN.format(players=players))
    return lines
