"""Slow repetitions by hand: smooth moves between places, stops, noise. The blind rehearsals are
`synthetic.rehearsals`.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from pathlib import Path as File

import numpy as np

from faultml.care.rules import load_care
from faultml.coaching.book import load_book
from faultml.coaching.place import OwnNumbers
from faultml.coaching.stations import load_places
from faultml.practice.engine import Engine
from faultml.practice.events import AnyEvent
from faultml.practice.frames import Sample
from faultml.practice.judge import Target, target_of

SETUP_DEG = (-20.0, 8.0, 0.0)
OWN = OwnNumbers(
    load_care().reference_setup,
    top_flexion_deg=3.0,
    impact_flexion_deg=8.0,
    lowest_ulnar_deg=-28.0,
    impact_ulnar_deg=3.0,
)


def target(drill_id: str, **changes: object) -> Target:
    """A drill placed on a usual golfer, without care cutting the hinge short."""
    drill = load_book()[drill_id]
    made = target_of(drill, drill.window, OWN, load_care().limits)
    assert made is not None
    return made


class Path:
    """A recording put together move by move, relative to the usual setup."""

    def __init__(
        self,
        *,
        rate_hz: float = 100.0,
        noise_deg: float = 0.3,
        seed: int = 1,
        setup_deg: Sequence[float] | None = None,
    ) -> None:
        own = OWN.setup
        self._setup = np.array(setup_deg or (own.flexion_deg, own.ulnar_deg, own.pronation_deg))
        self._rate = rate_hz
        self._noise = noise_deg
        self._rng = np.random.default_rng(seed)
        self._parts: list[np.ndarray] = []
        self._here = np.zeros(3)

    @property
    def now_s(self) -> float:
        return sum(len(part) for part in self._parts) / self._rate

    def hold(self, length_s: float) -> Path:
        self._parts.append(np.tile(self._here, (round(length_s * self._rate), 1)))
        return self

    def to(self, d_deg: Sequence[float], length_s: float = 1.0) -> Path:
        x = np.linspace(0, 1, max(2, round(length_s * self._rate)), endpoint=False)[:, None]
        share = 10 * x**3 - 15 * x**4 + 6 * x**5
        goal = np.asarray(d_deg, dtype=float)
        self._parts.append(self._here + share * (goal - self._here))
        self._here = goal
        return self

    def station(self, name: str, *, hold_s: float = 0.6, length_s: float = 1.0, **angles: float) -> Path:
        """Move to a station's usual angles, some of them changed, and stop there."""
        typical = dict(zip(("flexion", "ulnar", "pronation"), load_places()[name].typical_deg, strict=True))
        typical |= angles
        self.to(list(typical.values()), length_s)
        return self.hold(hold_s)

    def jump(self, by_deg: Sequence[float]) -> Path:
        """The sensor turns at once."""
        self._setup_shift(by_deg)
        return self

    def _setup_shift(self, by_deg: Sequence[float]) -> None:
        self._here = self._here + np.asarray(by_deg, dtype=float)

    def samples(self) -> list[Sample]:
        angles = np.concatenate(self._parts) + self._setup
        angles = angles + self._rng.normal(0, self._noise, angles.shape)
        return [Sample(at / self._rate, *map(float, row)) for at, row in enumerate(angles)]


def run(engine: Engine, samples: Iterable[Sample]) -> list[AnyEvent]:
    """Every event of a recording."""
    out: list[AnyEvent] = []
    for sample in samples:
        out += engine.push(sample)
    return out + engine.finish()


def of(events: Iterable[AnyEvent], kind: type) -> list:
    return [each for each in events if isinstance(each, kind)]


def write_recording(samples: list[Sample], path: File, player: str = "p001") -> File:
    with path.open("w", newline="", encoding="utf-8") as stream:
        table = csv.writer(stream)
        table.writerow(["player", "session", "t_s", "flexion_deg", "ulnar_deg", "pronation_deg"])
        table.writerows([player, "2031-04-05", *sample[:4]] for sample in samples)
    return path
