"""Wrist motion that is no golf: hammering, strokes of other games, work of the hands.

Simple physical sketches: where the joints rest, how far and how fast they go, how often. The figures are common
practice, no source. Half of the kinds may be learned from; the others are kept to test with.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.synthetic.clock import CLOCK_S
from faultml.synthetic.shapes import smooth_step, wobble

Array = NDArray[np.float64]
Random = np.random.Generator


def draw_other_activities(kind: str, count: int, random: Random) -> Array:
    """Absolute angles of `count` movements of a kind on `CLOCK_S`, ``(count, 3, n_samples)``."""
    rest = random.normal([-15, 5, 10], [12, 7, 20], (count, 3))[:, :, None]
    unrest = wobble(CLOCK_S, random.uniform(0.2, 2.5, (count, 3)), random, 0.2, 1.5)
    return rest + unrest + OTHER_ACTIVITIES[kind](count, random)


def _between(random: Random, low: list[float], high: list[float], count: int) -> Array:
    return random.uniform(low, high, (count, len(low)))


def _stroke(
    count: int,
    random: Random,
    *,
    back_s: tuple[float, float],
    through_s: tuple[float, float],
    back_deg: tuple[list[float], list[float]],
    through_deg: tuple[list[float], list[float]],
    every_s: tuple[float, float] = (20.0, 20.0),
) -> Array:
    """Back, through and home again, each joint with its own timing; the whole repeated every so often."""
    t = CLOCK_S[None]
    moved = np.zeros((count, 3, len(CLOCK_S)))
    back, through = random.uniform(*back_s, count), random.uniform(*through_s, count)
    home, period = random.uniform(0.4, 1.2, count), random.uniform(*every_s, count)
    size_back, size_through = _between(random, *back_deg, count), _between(random, *through_deg, count)
    first = np.where(period < 8, random.uniform(-3, 0, count), random.uniform(-0.5, 1.5, count))
    for again in range(int(np.ceil(8 / period.min())) if period.min() < 8 else 1):
        from_s = first + again * period
        for channel in range(3):
            early = random.normal(0, 0.02, count) * channel
            top, hit = from_s + back + early, from_s + back + through + early
            size = size_back[:, channel], size_through[:, channel]
            moved[:, channel] += size[0][:, None] * smooth_step(t, from_s, top)
            moved[:, channel] += (size[1] - size[0])[:, None] * smooth_step(t, top, hit)
            moved[:, channel] -= size[1][:, None] * smooth_step(t, hit, hit + home)
    return moved


def _hammering(count: int, random: Random) -> Array:
    """Driving nails: radial and extended, then ulnar and flexed in a line, blow after blow."""
    return _stroke(
        count, random, back_s=(0.2, 0.5), through_s=(0.08, 0.16), every_s=(0.9, 1.8),
        back_deg=([-25, -28, -5], [-8, -12, 10]), through_deg=([0, 4, -8], [12, 18, 8]),
    )  # fmt: skip


def _forehand(count: int, random: Random) -> Array:
    """A racket forehand: the wrist laid back, then through while the forearm pronates."""
    return _stroke(
        count, random, back_s=(0.4, 0.9), through_s=(0.12, 0.3),
        back_deg=([-50, -12, -50], [-20, 8, 0]), through_deg=([-10, -5, 20], [20, 18, 70]),
    )  # fmt: skip


def _serve(count: int, random: Random) -> Array:
    """An overhead serve: extended and supinated, then flexed and pronated hard."""
    return _stroke(
        count, random, back_s=(0.7, 1.5), through_s=(0.10, 0.22),
        back_deg=([-55, -20, -70], [-25, 0, -20]), through_deg=([10, 0, 30], [45, 22, 80]),
    )  # fmt: skip


def _backhand(count: int, random: Random) -> Array:
    """A racket backhand: flexed, then extended through."""
    return _stroke(
        count, random, back_s=(0.35, 0.8), through_s=(0.12, 0.3),
        back_deg=([5, -10, 0], [35, 10, 40]), through_deg=([-40, -8, -50], [-10, 14, 0]),
    )  # fmt: skip


def _throwing(count: int, random: Random) -> Array:
    """A ball thrown overhand."""
    return _stroke(
        count, random, back_s=(0.5, 1.2), through_s=(0.09, 0.2),
        back_deg=([-65, -12, -50], [-30, 8, 10]), through_deg=([0, -5, 10], [40, 15, 60]),
    )  # fmt: skip


def _chopping(count: int, random: Random) -> Array:
    """An axe: lifted slowly, brought down fast, now and then."""
    return _stroke(
        count, random, back_s=(0.6, 1.2), through_s=(0.15, 0.3), every_s=(2.2, 4.0),
        back_deg=([-25, -25, -20], [5, -8, 20]), through_deg=([-8, 2, -15], [12, 22, 15]),
    )  # fmt: skip


def _door(count: int, random: Random) -> Array:
    """A handle turned, a door pulled, the handle let go."""
    return _stroke(
        count, random, back_s=(0.3, 0.8), through_s=(0.4, 1.0),
        back_deg=([-30, -10, -60], [10, 15, 60]), through_deg=([-35, -12, -25], [25, 15, 25]),
    )  # fmt: skip


def _pouring(count: int, random: Random) -> Array:
    """A glass lifted, emptied and put down."""
    return _stroke(
        count, random, back_s=(0.6, 1.4), through_s=(0.6, 1.6),
        back_deg=([-25, -12, -15], [10, 8, 15]), through_deg=([-10, -20, 30], [25, 5, 90]),
    )  # fmt: skip


def _cycle(count: int, random: Random, hz: tuple[float, float], low: list[float], high: list[float]) -> Array:
    """Round and round, or to and fro: each joint at the same pace with its own phase and some second harmonic."""
    turn = 2 * np.pi * random.uniform(*hz, (count, 1, 1)) * CLOCK_S
    start = random.uniform(0, 2 * np.pi, (count, 3, 1))
    size = _between(random, low, high, count)[:, :, None]
    share = random.uniform(0, 0.4, (count, 3, 1))
    pause = smooth_step(CLOCK_S[None], random.uniform(-3, -1, count), random.uniform(-1, 1, count))
    return size * (np.sin(turn + start) + share * np.sin(2 * turn + 2.3 * start)) * pause[:, None]


def _stirring(count: int, random: Random) -> Array:
    return _cycle(count, random, (0.6, 2.2), [4, 4, 3], [18, 12, 20])


def _waving(count: int, random: Random) -> Array:
    return _cycle(count, random, (1.0, 3.0), [2, 8, 5], [15, 25, 35])


def _screwing(count: int, random: Random) -> Array:
    return _cycle(count, random, (0.7, 2.0), [2, 2, 25], [10, 8, 60])


def _brushing(count: int, random: Random) -> Array:
    return _cycle(count, random, (2.0, 5.0), [4, 3, 2], [18, 14, 15])


def _typing(count: int, random: Random) -> Array:
    """Small quick taps, the hand carried from row to row."""
    taps = wobble(CLOCK_S, _between(random, [0.5, 0.5, 0.5], [3, 2, 2], count), random, 3.0, 8.0)
    return taps + wobble(CLOCK_S, _between(random, [1, 2, 1], [8, 10, 6], count), random, 0.2, 0.8)


def _drumming(count: int, random: Random) -> Array:
    return _stroke(
        count, random, back_s=(0.08, 0.2), through_s=(0.05, 0.1), every_s=(0.3, 0.9),
        back_deg=([-30, -10, -5], [-8, 4, 8]), through_deg=([-2, -3, -4], [10, 6, 4]),
    )  # fmt: skip


OTHER_ACTIVITIES: Final[dict[str, Callable[[int, Random], Array]]] = {
    "hammering": _hammering,
    "forehand": _forehand,
    "serve": _serve,
    "backhand": _backhand,
    "throwing": _throwing,
    "chopping": _chopping,
    "door": _door,
    "pouring": _pouring,
    "stirring": _stirring,
    "waving": _waving,
    "screwing": _screwing,
    "brushing": _brushing,
    "typing": _typing,
    "drumming": _drumming,
}

LEARNED: Final = ("backhand", "throwing", "chopping", "pouring", "screwing", "brushing", "drumming")
HELD_OUT: Final = ("hammering", "forehand", "serve", "door", "stirring", "waving", "typing")
"""Kinds that training may see, and kinds that only tests may."""
