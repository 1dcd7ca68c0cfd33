"""Recordings that are no full swing: what a wrist also does on a range.

Curves come on the latent clock like those of full swings; the recorder makes files of both.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.synthetic.clock import CLOCK_S
from faultml.synthetic.motion import Motion
from faultml.synthetic.shapes import bump, smooth_step, wobble

Array = NDArray[np.float64]


def _rest(motion: Motion) -> Array:
    return np.broadcast_to(motion.address_deg[:, :, None], (*motion.address_deg.shape, len(CLOCK_S))).copy()


def waggle(motion: Motion, random: np.random.Generator) -> Array:
    """A few small, quick hinges over the ball, no swing."""
    angles = _rest(motion)
    count = len(angles)
    length_s = random.uniform(0.8, 3.0, count)
    window = bump(CLOCK_S[None], np.zeros(count), np.full(count, 0.2), length_s, length_s + 0.3)
    amplitude = np.column_stack(
        [random.uniform(2, 10, count), random.uniform(4, 16, count), random.uniform(1, 10, count)]
    )
    return angles + wobble(CLOCK_S, amplitude, random, 0.8, 2.5) * window[:, None]


def half_speed(motion: Motion, random: np.random.Generator) -> Array:
    """A rehearsal: the swing slowed to half speed or less, often with less range."""
    slower = random.uniform(1.8, 2.8, len(motion.d_deg))
    range_share = random.uniform(0.55, 1.0, len(motion.d_deg))
    return _slowed(motion, slower) * range_share[:, None, None] + motion.address_deg[:, :, None]


def _slowed(motion: Motion, slower: Array) -> Array:
    step = CLOCK_S[1] - CLOCK_S[0]
    position = np.clip((CLOCK_S[None] / slower[:, None] - CLOCK_S[0]) / step, 0, len(CLOCK_S) - 2)
    low = position.astype(int)[:, None, :]
    weight = position[:, None, :] - low
    return (
        np.take_along_axis(motion.d_deg, low, 2) * (1 - weight)
        + np.take_along_axis(motion.d_deg, low + 1, 2) * weight
    )


def chip(motion: Motion, random: np.random.Generator) -> Array:
    """A short shot: little hinge, little roll, unhurried."""
    count = len(motion.d_deg)
    share = np.column_stack(
        [random.uniform(0.15, 0.5, count), random.uniform(0.08, 0.4, count), random.uniform(0.1, 0.4, count)]
    )
    return (
        _slowed(motion, random.uniform(0.85, 1.5, count)) * share[:, :, None] + motion.address_deg[:, :, None]
    )


def putt(motion: Motion, random: np.random.Generator) -> Array:
    """A putt: the wrists hardly move."""
    angles = _rest(motion)
    count = len(angles)
    back_s, through_s = random.uniform(0.5, 0.9, count), random.uniform(0.25, 0.45, count)
    zero = np.zeros(count)
    back = bump(CLOCK_S[None], zero, back_s, back_s, back_s + 2 * through_s)
    through = bump(
        CLOCK_S[None], back_s, back_s + 2 * through_s, back_s + 3 * through_s, back_s + 4 * through_s
    )
    size = random.normal(0, 1, (2, count, 3)) * np.array([3.0, 3.0, 4.0])
    return angles + size[0][:, :, None] * back[:, None] + size[1][:, :, None] * through[:, None]


def walk(motion: Motion, random: np.random.Generator) -> Array:
    """Walking to the ball: the arm's pendulum, step after step."""
    angles = _rest(motion)
    count = len(angles)
    step_hz = random.uniform(0.8, 1.1, (count, 1))
    start = random.uniform(0, 2 * np.pi, (count, 3, 1))
    amplitude = random.uniform([3, 2, 5], [18, 12, 30], (count, 3))[:, :, None]
    swing = np.sin(2 * np.pi * step_hz[:, None] * CLOCK_S + start) + 0.3 * np.sin(
        4 * np.pi * step_hz[:, None] * CLOCK_S
    )
    return angles + amplitude * swing


def knock(motion: Motion, random: np.random.Generator) -> Array:
    """The sensor or the club is knocked: short spikes on a resting wrist."""
    angles = _rest(motion)
    for _ in range(3):
        at = random.uniform(0, 2.5, len(angles))[:, None]
        size = random.normal(0, 25, (len(angles), 3, 1))
        decay = random.uniform(0.01, 0.08, (len(angles), 1))
        angles += size * np.exp(-0.5 * ((CLOCK_S[None] - at) / decay) ** 2)[:, None]
    return angles


def gesture(motion: Motion, random: np.random.Generator) -> Array:
    """Reaching, pointing, cleaning a club: smooth movement that goes nowhere in particular."""
    amplitude = random.uniform(4, 35, (len(motion.d_deg), 3))
    return _rest(motion) + wobble(CLOCK_S, amplitude, random, 0.15, random.uniform(0.6, 2.0))


def hammer(motion: Motion, random: np.random.Generator) -> Array:
    """Tapping or knocking in a tee: the same quick hinge again and again."""
    angles = _rest(motion)
    count = len(angles)
    beat_hz = random.uniform(1.0, 3.0, (count, 1))
    phase = (CLOCK_S[None] * beat_hz) % 1.0
    lift = np.where(phase < 0.65, np.sin(np.pi * phase / 1.3) ** 2, np.cos(np.pi * (phase - 0.65) / 0.7) ** 2)
    size = random.uniform([-15, -35, -15], [15, -8, 15], (count, 3))
    return angles + size[:, :, None] * lift[:, None]


def broken_off(motion: Motion, random: np.random.Generator) -> Array:
    """A backswing that stops at the top and is let down slowly."""
    count = len(motion.d_deg)
    top_s = motion.landmarks_s[:, 1]
    hold = motion.d_deg[
        np.arange(count), :, np.rint((top_s - 0.05 - CLOCK_S[0]) / (CLOCK_S[1] - CLOCK_S[0])).astype(int)
    ]
    let_down = 1 - smooth_step(CLOCK_S[None], top_s + 0.3, top_s + random.uniform(1.0, 2.0, count))
    d_deg = np.where(
        CLOCK_S[None, None] < (top_s - 0.05)[:, None, None],
        motion.d_deg,
        hold[:, :, None] * let_down[:, None],
    )
    return d_deg + motion.address_deg[:, :, None]


MOVEMENTS: Final[dict[str, Callable[[Motion, np.random.Generator], Array]]] = {
    "waggle": waggle,
    "half_speed": half_speed,
    "chip": chip,
    "putt": putt,
    "walk": walk,
    "knock": knock,
    "gesture": gesture,
    "hammer": hammer,
    "broken_off": broken_off,
}
"""Movements that are no full swing, by name."""

DEAD_CHANNEL: Final = "dead_channel"
"""A full swing of which the recorder lost flexion or ulnar deviation; see `sensors.kill_channels`."""

NON_SWINGS: Final[dict[str, float]] = {
    "waggle": 1.0,
    "half_speed": 3.5,
    "chip": 1.5,
    "putt": 0.7,
    "walk": 0.7,
    "knock": 0.7,
    "gesture": 1.0,
    "hammer": 0.7,
    "broken_off": 1.0,
    DEAD_CHANNEL: 0.5,
}
"""Every kind of recording that is no full swing, with its share of them."""
