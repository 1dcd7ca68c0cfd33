"""Calibration recordings of imperfect people: a still pose, flexing and extending, a roll of the forearm."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from faultml.motion.rotations import Side, joint_rotations, mirrored
from faultml.motion.turn import turn

Array = NDArray[np.float64]


class Calibration(NamedTuple):
    """What was recorded: times ``(n,)``, sensor quaternions ``(n, 4)`` and the wrist's true angles ``(3, n)``."""

    t_s: Array
    forearm: Array
    hand: Array
    angles_deg: Array


def movements(
    random: np.random.Generator, rate_hz: float = 100.0, off_deg: float = 3.0
) -> tuple[Array, Array]:
    """Times and true angles ``(3, n)``: 2 s still, 8 s flexing first, 1 s still, 8 s rolling palm up first."""
    t_s = np.arange(0, 20, 1 / rate_hz)
    flexing = np.clip(t_s - 2, 0, 8)
    rolling = np.clip(t_s - 11, 0, 8)
    phase = random.uniform(0, 2 * np.pi, 3)
    wander = [
        np.sin(2 * np.pi * f * flexing + p) - np.sin(p) for f, p in zip((0.31, 0.7, 1.3), phase, strict=True)
    ]
    flexion = 40 * np.sin(2 * np.pi * flexing / 2) + off_deg * np.sin(2 * np.pi * rolling * 0.4)
    ulnar = off_deg * (0.6 * wander[0] + 0.4 * wander[1]) * (flexing > 0) * (flexing < 8)
    pronation = -60 * np.sin(2 * np.pi * rolling / 2.67) + off_deg * wander[2]
    return t_s, np.stack([flexion, ulnar, pronation])


def record_orientations(
    random: np.random.Generator,
    on_forearm: Rotation,
    on_hand: Rotation,
    side: Side = "right",
    *,
    noise_deg: float = 0.5,
    off_deg: float = 3.0,
    rate_hz: float = 100.0,
) -> Calibration:
    """Two sensors, each turned against its bone (bone axes into the sensor's, as in a right arm)."""
    t_s, angles_deg = movements(random, rate_hz, off_deg)
    elbow = Rotation.from_rotvec(random.normal(0, 1, 3))
    sway = Rotation.from_rotvec(np.outer(np.sin(t_s), random.normal(0, 1, 3)), degrees=True)
    forearm = sway * elbow * Rotation.from_euler("Y", angles_deg[2][:, None], degrees=True)
    twist = np.stack([angles_deg[0], angles_deg[1], np.zeros(len(t_s))], axis=1)
    hand = forearm * Rotation.from_quat(joint_rotations(twist))
    seen = []
    for bone, worn in ((forearm, on_forearm), (hand, on_hand)):
        noise = Rotation.from_rotvec(random.normal(0, noise_deg, (len(t_s), 3)), degrees=True)
        seen.append(mirrored((bone * worn.inv() * noise).as_quat(), side))
    return Calibration(t_s, *seen, angles_deg)


def record_angles(
    random: np.random.Generator, turn_deg: float, *, noise_deg: float = 0.5, off_deg: float = 3.0
) -> Calibration:
    """A recorder that gives angles, turned about the forearm; its readings stand in ``angles_deg``."""
    t_s, angles_deg = movements(random, 100.0, off_deg)
    nothing = np.empty((0, 4))
    read = turn(angles_deg, turn_deg) + random.normal(0, noise_deg, angles_deg.shape)
    return Calibration(t_s, nothing, nothing, read)
