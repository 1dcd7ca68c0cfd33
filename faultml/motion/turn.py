"""What a recorder reads whose sensors are turned against the bones, and back: exact, for whole batches.

Flexion and ulnar deviation are where the hand's long axis points in the forearm's frame (ISB sequence Z-X'-Y'', see
`faultml.motion.rotations`): ``(-sin f cos u, cos f cos u, sin u)``. A forearm sensor that is turned sees the same axis
in a turned frame. What the hand's sensor is turned about its own long axis changes neither angle. Forearm rotation is
read off by a constant, which the angles relative to address do not see.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from faultml.channels import FLEXION, ULNAR

Array = NDArray[np.float64]


def turn(angles_deg: Array, turn_deg: ArrayLike) -> Array:
    """Angles as read by a forearm sensor that is turned about the forearm; `turn` by the negative undoes it.

    Parameters
    ----------
    angles_deg
        ``(..., 3, n)`` degrees, in the order of `faultml.channels.CHANNELS`.
    turn_deg
        One turn, or one for each leading index (``(n_swings,)`` for a batch). Positive is about the forearm's Y
        axis: toward pronation.

    Returns
    -------
    array
        ``(..., 3, n)``.
    """
    # The forearm's frame turns; the hand's axis as seen in it turns the other way.
    turn_rad = np.deg2rad(np.asarray(turn_deg, float))
    cosine, sine, zero = np.cos(turn_rad), np.sin(turn_rad), np.zeros_like(turn_rad)
    rows = ((cosine, zero, -sine), (zero, zero + 1, zero), (sine, zero, cosine))
    return turn_hand_axis(angles_deg, np.stack([np.stack(row, axis=-1) for row in rows], axis=-2))


def turn_hand_axis(angles_deg: Array, matrix: Array) -> Array:
    """Angles of the hand's long axis after a rotation of the forearm's frame.

    Parameters
    ----------
    angles_deg
        ``(..., 3, n)`` degrees; the third channel is passed on.
    matrix
        ``(3, 3)``, or ``(n_swings, 3, 3)`` for ``(n_swings, 3, n)``.
    """
    axis = np.einsum("...ij,...jk->...ik", matrix, hand_axis(angles_deg))
    read = np.array(angles_deg, dtype=float)
    read[..., FLEXION, :] = np.rad2deg(np.arctan2(-axis[..., 0, :], axis[..., 1, :]))
    read[..., ULNAR, :] = np.rad2deg(np.arcsin(np.clip(axis[..., 2, :], -1, 1)))
    return read


def hand_axis(angles_deg: Array) -> Array:
    """The hand's long axis in the forearm's frame, ``(..., 3, n)`` unit vectors, from ``(..., 3, n)`` degrees."""
    flexion, ulnar = np.deg2rad(angles_deg[..., FLEXION, :]), np.deg2rad(angles_deg[..., ULNAR, :])
    cos_u = np.cos(ulnar)
    return np.stack([-np.sin(flexion) * cos_u, np.cos(flexion) * cos_u, np.sin(ulnar)], axis=-2)
