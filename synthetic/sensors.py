"""What a wrist recorder makes of the true motion: mounting, noise, drift, sampling, gaps, clipping, and what it lacks.

Plausible field errors (2-6 degrees flexion, 2-5 ulnar, 5-10 pronation) and the under-reading of forearm rotation by
10-30 % are from memory; the rest is common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter
from scipy.spatial.transform import Rotation

from faultml.channels import FLEXION, PRONATION, ULNAR
from faultml.synthetic.clock import CLOCK_S, RATE_HZ

Array = NDArray[np.float64]

MOUNTING_SD_DEG: Final = {"about_forearm": 6.0, "other": 4.0}
RATES_HZ: Final = (50.0, 60.0, 100.0, 120.0, 125.0, 200.0, 240.0, 250.0, 400.0, 500.0)
GYRO_LIMIT_DPS: Final = 2000.0


@dataclass(frozen=True)
class Recorder:
    """A recorder on a wrist for one session.

    Attributes
    ----------
    mounting
        Rotations of the forearm and hand sensor against the bones, as rotation vectors in degrees, ``(2, 3)``, axes X
        volar, Y along the forearm, Z radial.
    under_read
        What part of forearm rotation is seen, 0.7 to 1.
    """

    rate_hz: float
    jitter: float
    noise_deg: float
    slow_noise_deg: float
    drift_dps: Array
    mounting: Array
    under_read: float
    pronation: bool
    contact_mark: bool
    ms_rounded: bool
    gyro_limit_dps: float
    gap_chance: float
    shake_deg: float
    address_s: tuple[float, float]
    tail_s: tuple[float, float]


def draw_recorder(
    random: np.random.Generator,
    *,
    mounting_scale: float = 1.0,
    noise_scale: float = 1.0,
    rate_hz: float | None = None,
) -> Recorder:
    """A recorder with everyday errors."""
    forearm, other = MOUNTING_SD_DEG["about_forearm"], MOUNTING_SD_DEG["other"]
    turned = random.normal(0, [other, forearm, other]) * mounting_scale
    apart = random.normal(0, 0.4, 3) * [other, forearm, other] * mounting_scale * (random.random() < 0.5)
    address_short = random.choice([0.06, 0.2, 0.4])
    tail_short = random.choice([0.20, 0.4, 0.8], p=[0.15, 0.35, 0.5])
    return Recorder(
        rate_hz=float(rate_hz or random.choice(RATES_HZ)),
        jitter=float(random.choice([0.0, 0.03, 0.10])),
        noise_deg=float(noise_scale * np.exp(random.normal(np.log(0.35), 0.6))),
        slow_noise_deg=float(noise_scale * np.exp(random.normal(np.log(0.8), 0.5))),
        drift_dps=random.normal(0, 0.4, 3) * noise_scale,
        mounting=np.stack([turned, turned + apart]),
        under_read=float(random.choice([1.0, random.uniform(0.7, 0.9)], p=[0.45, 0.55])),
        pronation=bool(random.random() < 0.85),
        contact_mark=bool(random.random() < 0.5),
        ms_rounded=bool(random.random() < 0.3),
        gyro_limit_dps=GYRO_LIMIT_DPS if random.random() < 0.5 else np.inf,
        gap_chance=float(random.choice([0.0, 0.05], p=[0.7, 0.3])),
        shake_deg=float(random.choice([0.0, random.uniform(0.3, 3.0)])),
        address_s=(float(address_short), float(address_short + random.uniform(0.1, 1.4))),
        tail_s=(float(tail_short), float(tail_short + random.uniform(0.1, 1.0))),
    )


@dataclass(frozen=True)
class Recorded:
    """Recorded swings, padded with NaN: times ``(n, samples)``, angles ``(n, 3, samples)``, contact marks ``(n,)``."""

    t_s: Array
    angles_deg: Array
    impact_s: Array
    start_s: Array
    """What was 0 on the latent clock, on the recording's own clock."""


def mount(angles_deg: Array, mounting_deg: Array) -> Array:
    """Wrist flexion and ulnar deviation as read by sensors turned against the bones, ``(n, 2, samples)``.

    ISB sequence Z-X'-Y'': the hand's long axis in the forearm frame is turned by the mounting and read again
    (``ulnar = asin(M32)``, ``flexion = atan2(-M12, M22)``).
    """
    flexion, ulnar = np.deg2rad(angles_deg[:, FLEXION]), np.deg2rad(angles_deg[:, ULNAR])
    forearm = Rotation.from_rotvec(mounting_deg[0], degrees=True).as_matrix()
    a, b, c = Rotation.from_rotvec(mounting_deg[1], degrees=True).as_matrix()[:, 1]
    cos_f, sin_f, cos_u, sin_u = np.cos(flexion), np.sin(flexion), np.cos(ulnar), np.sin(ulnar)
    axis = np.stack(
        [
            a * cos_f - b * sin_f * cos_u + c * sin_f * sin_u,
            a * sin_f + b * cos_f * cos_u - c * cos_f * sin_u,
            b * sin_u + c * cos_u,
        ]
    )
    x, y, z = np.einsum("ij,ikl->jkl", forearm, axis)
    return np.rad2deg(np.stack([np.arctan2(-x, y), np.arcsin(np.clip(z, -1, 1))], axis=1))


def record(
    angles_deg: Array,
    first_s: Array,
    last_s: Array,
    impact_s: Array,
    recorder: Recorder,
    random: np.random.Generator,
) -> Recorded:
    """Record true motion on the latent clock from `first_s` to `last_s`.

    Parameters
    ----------
    angles_deg
        ``(n, 3, samples)`` absolute angles on `CLOCK_S`.
    first_s, last_s, impact_s
        ``(n,)`` on the latent clock; `impact_s` NaN where there is no contact.
    """
    count = len(angles_deg)
    seen = angles_deg.copy()
    seen[:, :2] = mount(angles_deg, recorder.mounting)
    seen[:, PRONATION] *= recorder.under_read
    seen = _clip_rates(seen, recorder.gyro_limit_dps)
    seen += _shake(impact_s, recorder.shake_deg, random)

    times, used = _sample_times(first_s, last_s, recorder, random)
    position = np.clip((times - CLOCK_S[0]) * RATE_HZ, 0, len(CLOCK_S) - 1.001)
    low = position.astype(int)
    weight = (position - low)[:, None, :]
    read = np.take_along_axis(seen, low[:, None, :], 2) * (1 - weight)
    read += np.take_along_axis(seen, low[:, None, :] + 1, 2) * weight
    read += random.normal(0, recorder.noise_deg, read.shape)
    read += _slow_noise(read.shape, recorder, random)
    read += recorder.drift_dps[None, :, None] * (times - first_s[:, None])[:, None, :]
    if not recorder.pronation:
        read[:, PRONATION] = np.nan
    read = np.where(used[:, None, :], read, np.nan)

    start_s = random.uniform(0, 2, count).round(3) - first_s
    clock = times + start_s[:, None]
    if recorder.ms_rounded:
        clock = clock.round(3)
    mark = impact_s + start_s + random.normal(0, 0.001, count)
    recorded = Recorded(
        t_s=np.where(used, clock, np.nan),
        angles_deg=read.astype(np.float32).astype(np.float64),
        impact_s=mark if recorder.contact_mark else np.full(count, np.nan),
        start_s=start_s,
    )
    return _cut_gaps(recorded, recorder.gap_chance, random)


def kill_channels(recorded: Recorded, rows: NDArray[np.int64], random: np.random.Generator) -> Recorded:
    """In some recordings flexion or ulnar deviation is dead: it stands, with at most faint noise, hum or drift.

    In a third of them it dies on the way, before the swing is halfway through.
    """
    angles = recorded.angles_deg.copy()
    for row in rows:
        channel = random.integers(0, 2)
        t_s = recorded.t_s[row] - recorded.t_s[row, 0]
        dies_s = random.choice([0.0, random.uniform(0.0, 0.45) * np.nanmax(t_s)], p=[0.65, 0.35])
        noise = random.choice([0.0, random.uniform(0.05, 1.5)]) * random.normal(0, 1, len(t_s))
        hum = random.choice([0.0, random.uniform(0.1, 2.0)]) * np.sin(
            2 * np.pi * random.uniform(0.5, 20) * t_s
        )
        drift = random.normal(0, 0.7) * (t_s - dies_s)
        dead = t_s >= dies_s
        stands_at = angles[row, channel, dead.argmax()]
        angles[row, channel, dead] = (stands_at + noise + hum + drift)[dead]
    return replace(recorded, angles_deg=angles)


def _sample_times(
    first_s: Array, last_s: Array, recorder: Recorder, random: np.random.Generator
) -> tuple[Array, NDArray[np.bool_]]:
    counts = ((last_s - first_s) * recorder.rate_hz).astype(int)
    index = np.arange(counts.max())
    steps = index[None, :] + recorder.jitter * random.normal(0, 0.3, (len(counts), len(index))).clip(-1, 1)
    return first_s[:, None] + steps / recorder.rate_hz, index[None, :] < counts[:, None]


def _clip_rates(angles_deg: Array, limit_dps: float) -> Array:
    if not np.isfinite(limit_dps):
        return angles_deg
    steps = np.clip(np.diff(angles_deg, axis=2), -limit_dps / RATE_HZ, limit_dps / RATE_HZ)
    return np.concatenate([angles_deg[..., :1], angles_deg[..., :1] + np.cumsum(steps, axis=2)], axis=2)


def _shake(impact_s: Array, size_deg: float, random: np.random.Generator) -> Array:
    """The short ringing of a sensor that the ball's contact knocks."""
    if size_deg == 0:
        return np.zeros((1, 1, 1))
    since = CLOCK_S[None] - np.nan_to_num(impact_s, nan=np.inf)[:, None]
    ring = np.where(since > 0, np.exp(-np.maximum(since, 0) / 0.015), 0.0)
    with np.errstate(invalid="ignore"):
        ring = np.nan_to_num(ring * np.sin(2 * np.pi * random.uniform(25, 60) * since))
    return size_deg * random.normal(0, 1, (len(impact_s), 3, 1)) * ring[:, None, :]


def _slow_noise(shape: tuple[int, ...], recorder: Recorder, random: np.random.Generator) -> Array:
    """First-order noise with a memory of 0.15 s: soft tissue and filter error."""
    keep = np.exp(-1 / (0.15 * recorder.rate_hz))
    pushed = random.normal(0, recorder.slow_noise_deg * np.sqrt(1 - keep**2), shape)
    pushed[..., 0] /= np.sqrt(1 - keep**2)
    return lfilter([1.0], [1.0, -keep], pushed, axis=-1)


def _cut_gaps(recorded: Recorded, chance: float, random: np.random.Generator) -> Recorded:
    """Lose up to 40 ms of samples somewhere in some swings."""
    rows = np.flatnonzero(random.random(len(recorded.t_s)) < chance)
    if not len(rows):
        return recorded
    t_s, angles = recorded.t_s.copy(), recorded.angles_deg.copy()
    for row in rows:
        valid = np.flatnonzero(np.isfinite(t_s[row]))
        lost_from = random.uniform(t_s[row, valid[0]] + 0.1, t_s[row, valid[-1]] - 0.1)
        keep = valid[
            (t_s[row, valid] < lost_from) | (t_s[row, valid] > lost_from + random.uniform(0.01, 0.04))
        ]
        kept_t, kept_angles = t_s[row, keep], angles[row][:, keep]
        t_s[row], angles[row] = np.nan, np.nan
        t_s[row, : len(keep)], angles[row, :, : len(keep)] = kept_t, kept_angles
    return replace(recorded, t_s=t_s, angles_deg=angles)
