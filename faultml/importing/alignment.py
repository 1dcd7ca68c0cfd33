"""The alignment file: how a recorder's sensors sat on the bones of one arm in one session.

``faultml align`` writes it from a calibration recording (`faultml.motion.align`), a layout names it, and the reader
applies it to the samples. It is TOML with a checked schema; docs/alignment.md tells what a player does for it and what
its residuals mean.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Final, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from faultml.errors import InputError
from faultml.motion.turn import turn_hand_axis
from faultml.recordings.problems import shorten

Array = NDArray[np.float64]

MAX_ALIGNMENT_BYTES: Final = 20_000
_UNIT_WITHIN: Final = 1e-3

Degrees = Annotated[float, msgspec.Meta(ge=0, le=180)]
Quaternion = tuple[float, float, float, float]
Interval = tuple[float, float]


class Residuals(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How well the calibration movements fitted, in degrees; what was not measured is absent.

    `hinge_deg`: how far the flex-extend movement was from a hinge (root mean square). `axis_sd_deg`: how surely its
    axis is known, from one repetition to the next. `roll_deg`: the same as `hinge_deg` for the forearm roll.
    `square_deg`: how far the two axes were from a right angle. `pose_deg`: how far the still pose and the movement
    disagree about the hand.
    """

    hinge_deg: Degrees
    axis_sd_deg: Degrees
    roll_deg: Degrees | None = None
    square_deg: Degrees | None = None
    pose_deg: Degrees | None = None


class Movements(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Where in the calibration recording each movement was, ``[start, end)`` seconds on its clock."""

    still_s: Interval
    flex_extend_s: Interval
    roll_s: Interval | None = None


class Alignment(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """An alignment.

    Attributes
    ----------
    kind
        ``orientations`` for two orientation sensors, ``angles`` for a recorder that gives wrist angles only.
    side
        The arm that was calibrated.
    forearm, hand
        Rotations from the bone's axes (X volar, Y proximal, Z radial) into the sensor's, unit quaternions, scalar
        last. For ``angles`` only the forearm's: from the bone's axes into those in which the recorder reads the hand.
    mounting_sd_deg
        What is left in doubt of the turn about the forearm, SD: it goes into the season table.
    turn_deg
        For ``angles``: how far the recorder was turned about the forearm.
    session, source, made
        Label of the session, name of the calibration file, ISO date of making.
    """

    schema: Literal[1]
    kind: Literal["orientations", "angles"]
    side: Literal["left", "right"]
    forearm: Quaternion
    mounting_sd_deg: Degrees
    residuals: Residuals
    movements: Movements
    hand: Quaternion | None = None
    turn_deg: float | None = None
    session: str = ""
    source: str = ""
    made: str = ""

    def bones(self, forearm: Array, hand: Array) -> tuple[Array, Array]:
        """Orientations of the two bones from those of the two sensors.

        Parameters
        ----------
        forearm, hand
            Unit quaternions ``(n, 4)``, scalar last, that turn vectors of the sensor into the common frame.

        Returns
        -------
        tuple
            The same for forearm and hand bone, ready for `faultml.motion.rotations.joint_angles`.

        Raises
        ------
        InputError
            ``alignment-kind`` where the alignment is of a recorder that gives angles.
        """
        if self.hand is None:
            raise InputError("alignment-kind", expected="an alignment of orientations", found="one of angles")
        return (
            (Rotation.from_quat(forearm) * Rotation.from_quat(self.forearm)).as_quat(),
            (Rotation.from_quat(hand) * Rotation.from_quat(self.hand)).as_quat(),
        )

    def angles(self, angles_deg: Array) -> Array:
        """Wrist angles as they were, from those a turned recorder gave; forearm rotation stays as it is.

        Parameters
        ----------
        angles_deg
            ``(..., 3, n)`` in the order of `faultml.channels.CHANNELS`, anatomical signs.

        Raises
        ------
        InputError
            ``alignment-kind`` where the alignment is of orientation sensors.
        """
        if self.kind != "angles":
            raise InputError("alignment-kind", expected="an alignment of angles", found="one of orientations")
        return turn_hand_axis(angles_deg, Rotation.from_quat(self.forearm).inv().as_matrix())


@dataclass(frozen=True)
class _Wrong:
    place: str
    expected: str
    found: str


def load_alignment(path: Path) -> Alignment:
    """An alignment from its file.

    Raises
    ------
    InputError
        ``bad-alignment`` where it is none, contradicts itself or cannot be read.
    """
    try:
        if path.stat().st_size > MAX_ALIGNMENT_BYTES:
            raise InputError(
                "bad-alignment", where=str(path), expected="a small TOML file", found="a big one"
            )
        alignment = msgspec.toml.decode(path.read_bytes(), type=Alignment)
    except (OSError, UnicodeDecodeError, msgspec.DecodeError, RecursionError) as error:
        raise InputError(
            "bad-alignment", where=str(path), expected="a file that align wrote", found=shorten(error)
        ) from error
    wrong = _contradiction(alignment)
    if wrong:
        raise InputError(
            "bad-alignment", where=f"{path}: {wrong.place}", expected=wrong.expected, found=wrong.found
        )
    return alignment


def save_alignment(alignment: Alignment, path: Path) -> None:
    """Write an alignment, whole or not at all."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{path.name}.part")
    try:
        part.write_text(alignment_toml(alignment), encoding="utf-8")
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def alignment_toml(alignment: Alignment) -> str:
    """An alignment as the text of its file."""
    lines, tables = [], []
    for field in alignment.__struct_fields__:
        value = getattr(alignment, field)
        if isinstance(value, msgspec.Struct):
            tables += ["", f"[{field}]", *_lines(msgspec.to_builtins(value))]
        else:
            lines += _lines({field: value})
    return "\n".join(["# How the sensors sat on the arm; see docs/alignment.md.", *lines, *tables, ""])


def _lines(values: dict[str, object]) -> list[str]:
    return [
        f"{name} = {msgspec.json.encode(value).decode()}"  # words, numbers and lists are the same in TOML
        for name, value in values.items()
        if value not in (None, "")
    ]


def _contradiction(alignment: Alignment) -> _Wrong | None:
    for name in ("forearm", "hand"):
        quaternion = getattr(alignment, name)
        if quaternion is not None and not abs(np.linalg.norm(quaternion) - 1) < _UNIT_WITHIN:
            return _Wrong(name, "a unit quaternion", f"length {np.linalg.norm(quaternion):.4g}")
    if (alignment.kind == "orientations") != (alignment.hand is not None):
        return _Wrong("hand", "a rotation of the hand for orientations, and only for them", alignment.kind)
    return None
