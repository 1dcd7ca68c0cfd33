"""What a recorder makes of a rehearsal: turned sensors, noise, drift, samples lost, late or twice, and silence.

Samples come in the order in which they arrive, each with its own time: a late one arrives after those that follow it.
Shares and delays are common practice, no source.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from faultml.channels import PRONATION
from faultml.synthetic.rehearsal_motion import drawn
from faultml.synthetic.rehearsal_rules import RecorderRules
from faultml.synthetic.sensors import mount

Array = NDArray[np.float64]

_DELAY_S = 0.004
_TURN_OVER_S = 0.3


class Samples(NamedTuple):
    """What arrived, in order of arrival: times and arrival ``(n,)``, angles ``(3, n)``, forearm elevation ``(n,)``."""

    t_s: Array
    arrived_s: Array
    angles_deg: Array
    elevation_deg: Array
    turned_s: float
    off_s: tuple[float, float]


def record_rehearsal(
    t_s: Array,
    motion: Array,
    rules: RecorderRules,
    *,
    rate_hz: float,
    handedness: str,
    rests_s: Array,
    random: np.random.Generator,
) -> Samples:
    """Record true motion ``(4, n)`` at times ``(n,)``.

    `rests_s` are moments between repetitions: the sensors turn on the arm at one of them.
    """
    seen = motion.copy()
    turned_s = float(random.choice(rests_s)) if rules.turned_midway_deg else float("nan")
    seen[:PRONATION] = _turned(t_s, motion[:3], rules, handedness, turned_s, random)
    count = int((t_s[-1] - t_s[0]) * rate_hz)
    jitter = rules.jitter * random.normal(0, 0.3, count).clip(-1, 1)
    at_s = t_s[0] + (np.arange(count) + 0.5 + jitter) / rate_hz
    read = np.stack([np.interp(at_s, t_s, row) for row in seen])
    read += random.normal(0, rules.noise_deg, read.shape) + _slow_noise(read.shape, rate_hz, rules, random)
    read += random.normal(0, rules.drift_deg_min / 60, (4, 1)) * (at_s - t_s[0])

    arrived_s = np.maximum.accumulate(at_s + _DELAY_S + random.exponential(0.001, count))
    late = random.random(count) < rules.late_share
    arrived_s[late] += random.uniform(0.02, 0.3, late.sum())
    off_s = _silence(t_s, rules, random)
    kept = ~((at_s >= off_s[0]) & (at_s < off_s[1])) & ~_dropped(count, rules.dropped_share, random)
    doubled = kept & (random.random(count) < rules.doubled_share)
    index = np.concatenate([np.flatnonzero(kept), np.flatnonzero(doubled)])
    arrives = np.concatenate([arrived_s[kept], arrived_s[doubled] + random.uniform(0, 0.02, doubled.sum())])
    order = np.argsort(arrives, kind="stable")
    index = index[order]
    return Samples(at_s[index], arrives[order], read[:3, index], read[3, index], turned_s, off_s)


def _turned(
    t_s: Array,
    angles_deg: Array,
    rules: RecorderRules,
    handedness: str,
    turned_s: float,
    random: np.random.Generator,
) -> Array:
    """Flexion and ulnar deviation as sensors read them that are turned on the arm, ``(2, n)``.

    A turn is drawn in the arm's own axes. A right-handed golfer's lead arm is the left one, which is mirrored (z to -z)
    before angles are read: the same turn of the sensor has the other sign about X and Y there.
    """
    mirror = np.array([-1.0, -1.0, 1.0]) if handedness == "right" else np.ones(3)
    turn = random.normal(0, [rules.turned_deg / 3, rules.turned_deg, rules.turned_deg / 3]) * mirror
    side, later = random.choice([-1.0, 1.0]), turn.copy()
    seen = mount(angles_deg[None], np.stack([turn, turn]))[0]
    if rules.turned_midway_deg:
        later[1] += side * drawn(rules.turned_midway_deg, random) * mirror[1]
        after = mount(angles_deg[None], np.stack([later, later]))[0]
        seen += np.clip((t_s - turned_s) / _TURN_OVER_S, 0, 1) * (after - seen)
    return seen


def _slow_noise(
    shape: tuple[int, ...], rate_hz: float, rules: RecorderRules, random: np.random.Generator
) -> Array:
    """First-order noise with a memory of 0.15 s."""
    keep = np.exp(-1 / (0.15 * rate_hz))
    pushed = random.normal(0, rules.slow_noise_deg * np.sqrt(1 - keep**2), shape)
    pushed[..., 0] /= np.sqrt(1 - keep**2)
    noise: Array = lfilter([1.0], [1.0, -keep], pushed, axis=-1)
    return noise


def _dropped(count: int, share: float, random: np.random.Generator) -> NDArray[np.bool_]:
    """Samples that are lost, alone or up to ten in a row."""
    lost = np.zeros(count, dtype=bool)
    for start in np.flatnonzero(random.random(count) < share / 3):
        lost[start : start + int(random.choice([1, 2, 3, 4, 10], p=[0.4, 0.2, 0.2, 0.15, 0.05]))] = True
    return lost


def _silence(t_s: Array, rules: RecorderRules, random: np.random.Generator) -> tuple[float, float]:
    length_s = t_s[-1] - t_s[0]
    if rules.stops_at:
        return float(t_s[0] + drawn(rules.stops_at, random) * length_s), float("inf")
    if rules.off_s:
        from_s = float(t_s[0] + random.uniform(0.2, 0.8) * length_s)
        return from_s, from_s + drawn(rules.off_s, random)
    return float("nan"), float("nan")
