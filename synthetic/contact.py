"""Accelerations and angular rates of a wrist in a swing, with and without a contact, as recorders leave them.

The arm is one link that carries the sensor near the wrist: gravity, centripetal and tangential acceleration, the
forearm's roll, the body's own movement and soft tissue that swings along. A contact adds a damped shock of drawn size
and ringing. What is no contact is drawn too: rehearsals, knocks, footfalls, a club that brushes the ground, and fat
shots that meet the ground first. A recorder then filters, clips, samples and rounds. All sizes are common practice or
memory, no source; nothing here is measured on golfers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt
from scipy.spatial.transform import Rotation

Array = NDArray[np.float64]

GRAVITY_MPS2: Final = 9.81
FINE_HZ: Final = 4000.0
BEFORE_S, AFTER_S = 1.1, 0.75
FINE_S: Final[Array] = np.arange(-BEFORE_S, AFTER_S, 1 / FINE_HZ)
"""Time from the contact, or from where it would be, s."""

RINGINGS: Final = ("dead", "low", "middle", "high", "two", "buzz")
MOTIONS: Final = ("bell", "cosh", "late", "plateau")
KINDS: Final = ("contact", "fat", "rehearsal", "knock", "footfall", "brush")
"""What happens in a swing; all but the first two are no contact."""
NO_CONTACT: Final = KINDS[2:]


@dataclass(frozen=True)
class ContactRecorder:
    """A recorder of accelerations.

    Attributes
    ----------
    rate_hz, bandwidth_hz
        Samples a second, and where its low-pass filter begins.
    limit_mps2
        Where each axis clips; infinite where it does not.
    clips_first
        Whether the sensing element clips, before the filter, and not the converter after it.
    noise_mps2
        SD of each sample.
    """

    rate_hz: float
    bandwidth_hz: float
    limit_mps2: float = np.inf
    clips_first: bool = False
    noise_mps2: float = 0.05


@dataclass(frozen=True)
class Shocks:
    """Swings as recorded, one row each.

    Attributes
    ----------
    t_s
        ``(n_swings, n_samples)`` time from the contact, or from where it would be.
    acceleration_mps2
        ``(n_swings, 3, n_samples)`` in axes of the sensor.
    rate_dps
        ``(n_swings, 3, n_samples)`` angular rate in the same axes; NaN where not asked for.
    contact_s
        ``(n_swings,)`` 0, or NaN where there is no contact with a ball.
    anchor_s
        ``(n_swings,)`` the wrist's fastest moment as its angles show it.
    """

    t_s: Array
    acceleration_mps2: Array
    rate_dps: Array
    contact_s: Array
    anchor_s: Array


def draw_shocks(
    count: int,
    kind: str,
    ringing: str,
    motion: str,
    recorder: ContactRecorder,
    random: np.random.Generator,
    *,
    rates: bool = False,
) -> Shocks:
    """So many swings of one kind, with one family of ringing and of motion.

    Parameters
    ----------
    kind, ringing, motion
        Of `KINDS`, `RINGINGS` and `MOTIONS`.
    rates
        Whether angular rates are recorded too.
    """
    acceleration, rate = _motion(count, motion, random)
    at = np.zeros(count)
    size = np.exp(random.normal(np.log(150.0), 0.6, count)).clip(25, 700)
    if kind == "contact":
        acceleration += _ring(at, size, ringing, random)
    elif kind == "fat":
        early_s = random.uniform(0.004, 0.040, count)
        acceleration += _burst(-early_s, size * random.uniform(0.3, 1.5, count), (0.003, 0.012), random)
        acceleration += _ring(at, size * random.uniform(0.2, 0.9, count), ringing, random)
    elif kind == "knock":
        side = random.random(count) < 0.6
        when = np.where(side, random.uniform(-0.75, -0.3, count), random.uniform(0.3, 0.6, count))
        acceleration += _ring(when, size, ringing, random)
    elif kind == "footfall":
        when = random.uniform(-0.35, 0.12, count)
        acceleration += _footfall(when, random)
    elif kind == "brush":
        start = random.uniform(-0.06, 0.0, count)
        acceleration += _burst(start, random.uniform(3, 30, count), (0.008, 0.025), random)
    contact = np.zeros(count) if kind in ("contact", "fat") else np.full(count, np.nan)
    wide = random.random(count) < 0.1
    anchor = random.normal(-0.027, np.where(wide, 0.09, 0.025))
    t_s, felt = _recorded(acceleration, recorder, random)
    turned = np.full_like(felt, np.nan)
    if rates:  # a shock turns the sensor too, by some deg/s for each m/s2
        rate = rate + 0.3 * (acceleration - _smooth(acceleration))
        _, turned = _recorded(rate, recorder, random, limit=2000.0, times_s=t_s)
    return Shocks(t_s, felt, turned, contact, anchor)


def _motion(count: int, family: str, random: np.random.Generator) -> tuple[Array, Array]:
    """Acceleration (m/s2) and angular rate (deg/s) of a wrist without any shock, ``(n, 3, n_fine)``."""
    t = FINE_S[None]

    def some(low: float, high: float) -> Array:
        return random.uniform(low, high, (count, 1))

    radius_m, fastest, peak_s = some(0.5, 0.75), some(10.0, 17.0), some(-0.05, 0.01)
    before_s, after_s = some(0.07, 0.11), some(0.10, 0.20)
    width_s = np.where(t < peak_s, before_s, after_s)
    u = (t - peak_s) / width_s
    shape: dict[str, Callable[[], Array]] = {
        "bell": lambda: np.exp(-0.5 * u**2),
        "cosh": lambda: 1 / np.cosh(1.2 * u) ** 2,
        "late": lambda: np.exp(-0.5 * np.abs(u) ** 1.7 * (1 + 0.4 * np.tanh(u))),
        "plateau": lambda: 1 / (1 + np.abs(u / 1.2) ** 4),
    }
    back = -some(2.0, 4.5) * np.exp(-0.5 * ((t + some(0.75, 1.0)) / some(0.15, 0.25)) ** 2)
    turn = _smooth(back + fastest * shape[family]())  # rad/s of the arm
    roll = some(4, 16) * np.exp(-0.5 * ((t - some(-0.03, 0.03)) / some(0.03, 0.07)) ** 2)
    angle, rolled = (np.cumsum(each, axis=1) / FINE_HZ for each in (turn, roll))
    quicker = np.gradient(turn, 1 / FINE_HZ, axis=1)
    swung = np.stack([quicker * radius_m, -(turn**2) * radius_m, np.zeros_like(turn)], axis=1)
    tilt = some(0.7, 1.2)
    down = np.stack([np.sin(angle), np.cos(angle), np.broadcast_to(np.cos(tilt), angle.shape)], axis=1)
    swung = swung + GRAVITY_MPS2 * down
    spins = np.stack([np.zeros_like(turn), roll, turn], axis=1)
    for pair in (swung, spins):
        x, z = pair[:, 0].copy(), pair[:, 2].copy()
        pair[:, 0] = np.cos(rolled) * x - np.sin(rolled) * z
        pair[:, 2] = np.sin(rolled) * x + np.cos(rolled) * z
    body = _hum(count, (0.5, 4.0), random) * some(1, 6)[:, None]
    tissue = _hum(count, (8.0, 25.0), random) * (some(0.5, 6) * np.abs(turn) / fastest)[:, None]
    turned = Rotation.random(count, random).as_matrix()
    return (
        np.einsum("nij,njk->nik", turned, swung + body + tissue),
        np.rad2deg(np.einsum("nij,njk->nik", turned, spins)),
    )


def _hum(count: int, band_hz: tuple[float, float], random: np.random.Generator) -> Array:
    """Three sinusoids of random frequency in each axis."""
    shape = (3, count, 3, 1)
    frequency, phase = random.uniform(*band_hz, shape), random.uniform(0, 2 * np.pi, shape)
    waves = [np.sin(2 * np.pi * f * FINE_S + p) for f, p in zip(frequency, phase, strict=True)]
    return np.sum(waves, axis=0) / 3


def _smooth(curves: Array) -> Array:
    """Without what is faster than a limb."""
    low = butter(2, 40.0, fs=FINE_HZ, output="sos")
    there = sosfilt(low, curves, axis=-1)
    return sosfilt(low, there[..., ::-1], axis=-1)[..., ::-1]


def _ring(at_s: Array, size: Array, family: str, random: np.random.Generator) -> Array:
    """A damped shock that begins within half a millisecond, ``(n, 3, n_fine)``."""
    count = len(at_s)
    modes: dict[str, tuple[tuple[float, float, float, float], ...]] = {
        "dead": ((15, 50, 0.003, 0.008),),
        "low": ((20, 60, 0.010, 0.040),),
        "middle": ((60, 150, 0.008, 0.040),),
        "high": ((150, 400, 0.005, 0.030),),
        "two": ((25, 80, 0.010, 0.030), (120, 350, 0.004, 0.020)),
        "buzz": ((80, 200, 0.030, 0.080),),
    }
    since = FINE_S[None] - at_s[:, None]
    rise = -np.expm1(-np.maximum(since, 0) / random.uniform(1e-4, 4e-4, (count, 1)))
    total = np.zeros((count, 3, len(FINE_S)))
    for low_hz, high_hz, short_s, long_s in modes[family]:
        frequency, decay_s = (
            random.uniform(low_hz, high_hz, (count, 1)),
            random.uniform(short_s, long_s, (count, 1)),
        )
        wave = np.exp(-np.maximum(since, 0) / decay_s) * np.cos(
            2 * np.pi * frequency * since + random.uniform(-1, 1, (count, 1))
        )
        total += _direction(count, random) * (rise * wave)[:, None] / len(modes[family])
    return size[:, None, None] * total


def _burst(at_s: Array, size: Array, rise_s: tuple[float, float], random: np.random.Generator) -> Array:
    """The ground: noise that rises over some milliseconds and ends slowly."""
    count = len(at_s)
    since = np.maximum(FINE_S[None] - at_s[:, None], 0)
    up = random.uniform(*rise_s, (count, 1))
    hull = np.minimum(since / up, 1) * np.exp(
        -np.maximum(since - up, 0) / random.uniform(0.01, 0.04, (count, 1))
    )
    band = butter(2, (20.0, 150.0), "bandpass", fs=FINE_HZ, output="sos")
    noise = sosfilt(band, random.normal(0, 1, (count, 3, len(FINE_S))), axis=-1)
    noise /= noise.std(axis=(1, 2), keepdims=True)
    push = _direction(count, random) * np.ones_like(since)[:, None]
    return size[:, None, None] * hull[:, None] * (0.5 * noise + 0.5 * push)


def _footfall(at_s: Array, random: np.random.Generator) -> Array:
    """A foot that comes down: a thump that has gone through the body."""
    count = len(at_s)
    since = np.maximum(FINE_S[None] - at_s[:, None], 0)
    decay_s, frequency = random.uniform(0.02, 0.06, (count, 1)), random.uniform(8, 25, (count, 1))
    up = -np.expm1(-since / random.uniform(0.006, 0.02, (count, 1)))
    thump = up * np.exp(-since / decay_s) * np.sin(2 * np.pi * frequency * since + 0.5)
    return _direction(count, random) * (random.uniform(3, 25, (count, 1)) * thump)[:, None]


def _direction(count: int, random: np.random.Generator) -> Array:
    some = random.normal(0, 1, (count, 3, 1))
    return some / np.linalg.norm(some, axis=1, keepdims=True)


def _recorded(
    fine: Array,
    recorder: ContactRecorder,
    random: np.random.Generator,
    *,
    limit: float | None = None,
    times_s: Array | None = None,
) -> tuple[Array, Array]:
    """What the recorder leaves: sample times ``(n, samples)`` and values ``(n, 3, samples)``."""
    top = recorder.limit_mps2 if limit is None else limit
    seen = np.clip(fine, -top, top) if recorder.clips_first else fine
    if recorder.bandwidth_hz < FINE_HZ / 2:
        seen = sosfilt(butter(2, recorder.bandwidth_hz, fs=FINE_HZ, output="sos"), seen, axis=-1)
    if times_s is None:
        phase = random.uniform(0, 1 / recorder.rate_hz, (len(fine), 1))
        steps = np.arange(int((BEFORE_S + AFTER_S - 0.25) * recorder.rate_hz)) / recorder.rate_hz
        times_s = -BEFORE_S + 0.2 + phase + steps[None]
    place = (times_s - FINE_S[0]) * FINE_HZ
    low = place.astype(int)
    share = (place - low)[:, None]
    read = np.take_along_axis(seen, low[:, None], 2) * (1 - share)
    read += np.take_along_axis(seen, low[:, None] + 1, 2) * share
    read += random.normal(0, recorder.noise_mps2, read.shape)
    step = min(top, 32 * GRAVITY_MPS2) / 2**13
    return times_s, np.clip(np.round(read / step) * step, -top, top)
