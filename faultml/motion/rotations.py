"""Joint angles from the orientations of two segments, and back.

International Society of Biomechanics sequence Z-X'-Y'' (Wu et al. 2005, J Biomech 38:981-992), axes X volar, Y
proximal, Z radial. Between forearm and hand the three angles are the wrist's flexion, its ulnar deviation and what
little it twists; between upper arm and forearm the third is pronation.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial.transform import Rotation

from faultml.errors import InputError

Array = NDArray[np.float64]
Side = Literal["right", "left"]

_SEQUENCE: Final = "ZXY"
_UNIT_WITHIN: Final = 1e-3
"""How far from a rotation an orientation may be: single precision and four written decimals are well within."""

_MIRROR: Final[dict[str, tuple[float, float, float, float]]] = {
    "right": (1.0, 1.0, 1.0, 1.0),
    "left": (-1.0, -1.0, 1.0, 1.0),
}
"""Signs of a quaternion ``(x, y, z, w)`` by the arm's side: a left arm is mirrored (z -> -z), which turns back what
turns about x and y."""


def joint_angles(proximal: ArrayLike, distal: ArrayLike, side: Side | Sequence[Side] = "right") -> Array:
    """Angles of the distal segment against the proximal one, in anatomical signs.

    Parameters
    ----------
    proximal, distal
        Orientations in one common frame: unit quaternions ``(..., 4)``, scalar last, or matrices ``(..., 3, 3)``.
    side
        Of the arm: one word for all, or one a swing along the first axis.

    Returns
    -------
    array
        ``(..., 3)`` degrees about Z, X' and Y''. Forearm and hand: flexion, ulnar deviation, twist. Upper arm and
        forearm: elbow flexion, carrying angle, pronation.

    Raises
    ------
    InputError
        ``bad-orientation`` for another shape, ``not-finite``, ``not-a-rotation`` where a quaternion is not of length
        one or a matrix not orthonormal and right-handed, ``unknown-side``.
    """
    first, second = _quaternions(proximal, "proximal"), _quaternions(distal, "distal")
    if first.shape != second.shape:
        raise InputError(
            "bad-orientation", where="distal", expected=f"shape {first.shape}", found=f"shape {second.shape}"
        )
    signs = _signs(side, first.shape)
    between = _rotations(signs * first).inv() * _rotations(signs * second)
    return between.as_euler(_SEQUENCE, degrees=True).reshape(*first.shape[:-1], 3)


def joint_rotations(angles_deg: ArrayLike, side: Side | Sequence[Side] = "right") -> Array:
    """Orientations of the distal segment in the proximal one's frame from angles: what `joint_angles` undoes.

    Parameters
    ----------
    angles_deg
        ``(..., 3)`` degrees about Z, X' and Y'', in anatomical signs.
    side
        As in `joint_angles`.

    Returns
    -------
    array
        Unit quaternions ``(..., 4)``, scalar last.

    Raises
    ------
    InputError
        ``bad-angles`` for another shape, ``not-finite``, ``unknown-side``.
    """
    angles = np.asarray(angles_deg, dtype=float)
    if angles.shape[-1:] != (3,):
        raise InputError("bad-angles", expected="shape (..., 3)", found=f"shape {angles.shape}")
    _check_finite(angles, "angles_deg")
    turned = Rotation.from_euler(_SEQUENCE, angles.reshape(-1, 3), degrees=True).as_quat()
    quaternions = turned.reshape(*angles.shape[:-1], 4)
    return _signs(side, quaternions.shape) * quaternions


def mirrored(quaternions: ArrayLike, side: Side | Sequence[Side]) -> Array:
    """Unit quaternions ``(..., 4)`` of an arm as those of a right arm, and back: mirroring twice changes nothing.

    Raises
    ------
    InputError
        ``unknown-side``.
    """
    values = np.asarray(quaternions, dtype=float)
    return _signs(side, values.shape) * values


def _quaternions(orientation: ArrayLike, where: str) -> Array:
    """Checked orientations as quaternions ``(..., 4)``."""
    values = np.asarray(orientation, dtype=float)
    if values.shape[-1:] == (4,):
        _check_finite(values, where)
        _check_close(np.linalg.norm(values, axis=-1) - 1, "a unit quaternion", where)
        return values
    if values.shape[-2:] == (3, 3):
        _check_finite(values, where)
        product = values @ np.swapaxes(values, -1, -2) - np.eye(3)
        _check_close(np.abs(product).max(axis=(-1, -2)), "an orthonormal matrix", where)
        _check_close(np.linalg.det(values) - 1, "a right-handed matrix", where)
        return Rotation.from_matrix(values.reshape(-1, 3, 3)).as_quat().reshape(*values.shape[:-2], 4)
    raise InputError(
        "bad-orientation",
        where=where,
        expected="quaternions (..., 4) or matrices (..., 3, 3)",
        found=f"shape {values.shape}",
    )


def _rotations(quaternions: Array) -> Rotation:
    return Rotation.from_quat(quaternions.reshape(-1, 4))


def _signs(side: Side | Sequence[Side], shape: tuple[int, ...]) -> Array:
    """Signs that broadcast against quaternions of a shape."""
    sides = np.atleast_1d(np.asarray(side, dtype=object))
    unknown = [word for word in sides if word not in _MIRROR]
    if unknown:
        raise InputError("unknown-side", expected=" or ".join(_MIRROR), found=repr(unknown[0]))
    signs = np.array([_MIRROR[word] for word in sides])
    if len(sides) == 1:
        return signs[0]
    if len(shape) < 2 or len(sides) != shape[0]:
        raise InputError(
            "unknown-side", expected="one side, or one a swing", found=f"{len(sides)} for shape {shape}"
        )
    return signs.reshape(len(sides), *([1] * (len(shape) - 2)), 4)


def _check_finite(values: Array, where: str) -> None:
    lost = np.argwhere(~np.isfinite(values))
    if len(lost):
        at = tuple(int(index) for index in lost[0])
        raise InputError("not-finite", where=_place(where, at), expected="a number", found=str(values[at]))


def _check_close(off: Array, expected: str, where: str) -> None:
    bad = np.argwhere(np.abs(off) > _UNIT_WITHIN)
    if len(bad):
        at = tuple(int(index) for index in bad[0])
        raise InputError(
            "not-a-rotation", where=_place(where, at), expected=expected, found=f"off by {off[at]:.3g}"
        )


def _place(where: str, at: tuple[int, ...]) -> str:
    return f"{where}{list(at)}" if at else where
