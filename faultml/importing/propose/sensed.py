"""Guess the columns of accelerations and angular rates, from which a contact can be placed."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from faultml.importing.propose.source import Guess, Source
from faultml.importing.propose.words import load_words, tokens, unit_in

ACCELERATION_UNITS: Final = ("m/s2", "g")
RATE_UNITS: Final = ("deg/s", "rad/s")
_STILL: Final = {"m/s2": (7.0, 13.0), "g": (0.7, 1.3)}
"""What a still sensor's norm reads in each unit: gravity."""
_AXES: Final = ("x", "y", "z")


def guess_sensed(source: Source, taken: set[str]) -> Iterator[Guess]:
    """``[acceleration]`` and ``[angular_rate]``: what is left out where names or unit leave a doubt is only a mark."""
    names = load_words().names
    for part, words, units in (
        ("acceleration", names.acceleration, ACCELERATION_UNITS),
        ("angular_rate", names.angular_rate, RATE_UNITS),
    ):
        columns = _columns(source, taken, words)
        if not columns:
            continue
        unit, reason = _unit(source, columns, units)
        if unit:
            doubt = "sure" if reason == "by its name" else "likely"
            yield Guess(f"{part}.columns", list(columns), "likely", "by the words of its name")
            yield Guess(f"{part}.unit", unit, doubt, reason)  # type: ignore[arg-type]


def _columns(source: Source, taken: set[str], words: frozenset[str]) -> tuple[str, ...]:
    """Three axes of one sensor, the hand's where there are several, or else one norm."""
    known = load_words().names
    groups: dict[tuple[str, ...], dict[str, str]] = {}
    norms = []
    for name in source.names:
        parts = tokens(source.titles[name])
        if name in taken or name not in source.numbers or not set(parts) & words:
            continue
        axis = [part for part in parts if part in _AXES]
        if len(axis) == 1:
            rest = tuple(part for part in parts if part not in _AXES)
            groups.setdefault(rest, {})[axis[0]] = name
        elif not axis and set(parts) & known.norm:
            norms.append(name)
    whole = {rest: own for rest, own in groups.items() if set(own) == set(_AXES)}
    if len(whole) > 1:
        whole = {rest: own for rest, own in whole.items() if set(rest) & known.hand_segment}
    if len(whole) == 1:
        own = next(iter(whole.values()))
        return tuple(own[axis] for axis in _AXES)
    return (norms[0],) if len(norms) == 1 and not whole else ()


def _unit(source: Source, columns: tuple[str, ...], units: tuple[str, ...]) -> tuple[str, str]:
    """The unit and what it rests on; "" where neither the names nor gravity say it."""
    said = {unit_in(source.titles[name], units, source.units.get(name, "")) for name in columns}
    if len(said) == 1 and said != {""}:
        return said.pop(), "by its name"
    if units == ACCELERATION_UNITS and said == {""}:
        norm = np.linalg.norm([source.numbers[name] for name in columns], axis=0)
        still = float(np.nanmedian(norm)) if np.isfinite(norm).any() else np.nan
        for unit, (low, high) in _STILL.items():
            if low <= still <= high:
                return unit, f"half of the time its norm is below {still:.3g}, which is gravity"
    return "", ""
