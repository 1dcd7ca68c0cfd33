"""How sensors sit on the bones, from two or three calibration movements.

A pure movement about one joint axis shows that axis in each sensor's frame: it is the principal axis of the relative
angular velocity (the idea of functional joint-axis calibration, e.g. Seel, Raisch & Schauer 2014, Sensors 14:6891, and
Müller, Bégin, Schauer & Seel 2017 for two axes; from memory). Flexing and extending against a table gives the wrist's
flexion axis (Z), rolling the forearm its long axis (Y), and a still pose with the wrist straight says where zero is.

An axis has no direction of its own: the movements begin **toward the palm** and **palm up**, which gives it one.
What a movement cannot show is a habit that repeats itself: who always mixes some ulnar deviation into flexing shifts
the axis unseen. Therefore the table, and a doubt that is never less than `MIN_SD_DEG`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d
from scipy.spatial.transform import Rotation

from faultml.errors import InputError
from faultml.motion.rotations import Side, mirrored
from faultml.motion.turn import hand_axis

Array = NDArray[np.float64]
Span = tuple[float, float]

MIN_SD_DEG: Final = 2.0
"""No calibration is trusted further than this; common practice, no source."""

# What a movement must be like; common practice, no source.
MIN_STILL_S: Final = 0.7
MIN_MOVEMENT_S: Final = 2.0
MIN_FLEX_EXTEND_DEG: Final = 40.0
MIN_ROLL_DEG: Final = 60.0
MAX_OFF_AXIS_DEG: Final = 20.0
MIN_APART_DEG: Final = 60.0
MAX_STILL_DPS: Final = 15.0
MAX_TURN_DEG: Final = 60.0

_GRID_HZ: Final = 50.0
_SMOOTH_S: Final = 0.1
_STEP: Final = 10  # grid samples, 0.2 s: a turn that noise of a degree hardly bends
_MOVING_DPS: Final = 20.0
_AVERAGED_S: Final = 1.0  # longer than the pause where a movement turns back
_PARTS: Final = 4
_BEGUN_DEG: Final = 10.0


class Spans(NamedTuple):
    """Where in a calibration recording each movement is, ``[start, end)`` seconds; `roll_s` is None for angles."""

    still_s: Span
    flex_extend_s: Span
    roll_s: Span | None = None


@dataclass(frozen=True)
class Fit:
    """Sensor-to-bone rotations and how far to trust them.

    Attributes
    ----------
    forearm, hand
        Rotations from the bone's axes into the sensor's; `hand` is None for a recorder that gives angles.
    turn_deg
        For angles: how far the recorder was turned about the forearm, as in `faultml.motion.turn.turn`.
    hinge_deg, axis_sd_deg, roll_deg, square_deg, pose_deg
        Residuals, see `faultml.importing.alignment.Residuals`.
    """

    forearm: Rotation
    hinge_deg: float
    axis_sd_deg: float
    hand: Rotation | None = None
    turn_deg: float | None = None
    roll_deg: float | None = None
    square_deg: float | None = None
    pose_deg: float | None = None

    @property
    def mounting_sd_deg(self) -> float:
        """Doubt that is left of the turn about the forearm; half of what was off the hinge may be habit."""
        return float(np.sqrt(MIN_SD_DEG**2 + self.axis_sd_deg**2 + (self.hinge_deg / 2) ** 2))


class Axis(NamedTuple):
    """An axis of a movement: unit vector, root-mean-square angle off it, SD of its estimate, in degrees."""

    vector: Array
    off_deg: float
    sd_deg: float


def align_orientations(t_s: Array, forearm: Array, hand: Array, spans: Spans, side: Side) -> Fit:
    """Sensor-to-bone rotations of a forearm and a hand sensor.

    Parameters
    ----------
    t_s
        ``(n,)`` rising times.
    forearm, hand
        Unit quaternions ``(n, 4)``, scalar last, that turn the sensor's vectors into one common frame.
    spans
        Where the three movements are; see `find_movements`.
    side
        The arm.

    Raises
    ------
    InputError
        ``movement-missing`` without a roll, ``movement-too-short``, ``movement-too-small``,
        ``movement-not-one-axis``, ``movements-parallel``, ``pose-not-still``.
    """
    if spans.roll_s is None:
        raise InputError("movement-missing", where="roll", expected="a roll of the forearm", found="none")
    # In the mirror a left arm is a right one; the mirror is undone at the end.
    lower, upper = (_rotations(t_s, mirrored(sensor, side)) for sensor in (forearm, hand))
    wrist = lower.inv() * upper
    even_s = _even(t_s, t_s)[0]
    still, flexing, rolling = (_within(even_s, span) for span in spans)

    _check_still("still", spans.still_s, _speeds(wrist[still]), _speeds(lower[still]))
    bends = wrist[flexing]
    in_forearm = (bends[_STEP:] * bends[:-_STEP].inv()).as_rotvec(degrees=True)
    in_hand = (bends[:-_STEP].inv() * bends[_STEP:]).as_rotvec(degrees=True)
    turns = lower[rolling]
    rolled = (turns[:-_STEP].inv() * turns[_STEP:]).as_rotvec(degrees=True)

    flexion = _movement_axis(in_forearm, "flex-extend", spans.flex_extend_s, MIN_FLEX_EXTEND_DEG, begins=+1)
    by_hand = _movement_axis(in_hand, "flex-extend", spans.flex_extend_s, MIN_FLEX_EXTEND_DEG, begins=+1)
    long = _movement_axis(rolled, "roll", spans.roll_s, MIN_ROLL_DEG, begins=-1)
    apart_deg = _check_apart(flexion.vector, long.vector)
    on_forearm = _from_axes(flexion.vector, long.vector)
    pose = wrist[still].mean()
    hand_long = (pose.inv() * on_forearm).apply([0.0, 1.0, 0.0])
    pose_deg = abs(90 - _check_apart(by_hand.vector, hand_long))
    on_hand = _from_axes(by_hand.vector, hand_long, long_weight=np.inf)  # the pose is the zero, exactly
    return Fit(
        forearm=Rotation.from_quat(mirrored(on_forearm.as_quat(), side)),
        hand=Rotation.from_quat(mirrored(on_hand.as_quat(), side)),
        hinge_deg=flexion.off_deg,
        axis_sd_deg=flexion.sd_deg,
        roll_deg=long.off_deg,
        square_deg=abs(90 - apart_deg),
        pose_deg=pose_deg,
    )


def align_angles(t_s: Array, angles_deg: Array, spans: Spans) -> Fit:
    """The turn of a recorder that gives wrist angles only, from its hand axis in flexing and in the still pose.

    Parameters
    ----------
    t_s
        ``(n,)`` rising times.
    angles_deg
        ``(3, n)`` in anatomical signs; forearm rotation is not used.
    spans
        Where the movements are; a roll is not needed.

    Raises
    ------
    InputError
        As in `align_orientations`, and ``turned-too-far`` for more than `MAX_TURN_DEG`.
    """
    even_s, readings = _even(t_s, angles_deg[:2].T)
    axis = hand_axis(readings.T).T
    still, flexing = (_within(even_s, span) for span in (spans.still_s, spans.flex_extend_s))
    _check_still("still", spans.still_s, _turning(axis[still]))
    swept = np.rad2deg(np.cross(axis[flexing][:-_STEP], axis[flexing][_STEP:]))
    hinge = _movement_axis(swept, "flex-extend", spans.flex_extend_s, MIN_FLEX_EXTEND_DEG, begins=0)
    flexion = hinge.vector * np.sign(hinge.vector[2])
    long = axis[still].mean(axis=0)
    apart_deg = _check_apart(flexion, long)
    forearm = _from_axes(flexion, long)
    turn_deg = -float(forearm.as_euler("YXZ", degrees=True)[0])
    if abs(turn_deg) > MAX_TURN_DEG:
        expected = f"at most {MAX_TURN_DEG:g} degrees about the forearm"
        raise InputError("turned-too-far", expected=expected, found=f"{turn_deg:.0f}")
    return Fit(
        forearm=forearm,
        hinge_deg=hinge.off_deg,
        axis_sd_deg=hinge.sd_deg,
        turn_deg=turn_deg,
        pose_deg=abs(90 - apart_deg),
    )


def find_in_orientations(t_s: Array, forearm: Array, hand: Array) -> Spans:
    """`find_movements` for two orientation sensors, ``(n, 4)`` unit quaternions each, scalar last."""
    lower, upper = _rotations(t_s, forearm), _rotations(t_s, hand)
    even_s, wrist, rolled = _even(t_s, t_s)[0], _speeds(lower.inv() * upper), _speeds(lower)
    spans = find_movements(even_s, wrist, rolled)
    if spans.roll_s is None:
        flexed = f"flexing from {spans.flex_extend_s[0]:.1f} to {spans.flex_extend_s[1]:.1f} s, and no roll: "
        expected = f"a roll of the forearm, faster than {_MOVING_DPS:g} degrees a second and alone"
        found = flexed + _fastest(even_s, *_averaged(wrist, rolled))
        raise InputError("movement-missing", where="roll", expected=expected, found=found)
    return spans


def find_in_angles(t_s: Array, angles_deg: Array) -> Spans:
    """`find_movements` for a recorder that gives angles, ``(3, n)``."""
    even_s, readings = _even(t_s, np.nan_to_num(angles_deg).T)
    rolled = readings[_STEP:, 2] - readings[:-_STEP, 2]
    return find_movements(even_s, _turning(hand_axis(readings.T).T), _padded(rolled))


def find_movements(t_s: Array, wrist_dps: Array, forearm_dps: Array) -> Spans:
    """The longest flex-extend and the longest roll of a recording, and the last still pose before the flexing.

    Parameters
    ----------
    t_s
        ``(n,)`` even times at 50 Hz.
    wrist_dps, forearm_dps
        ``(n,)`` how fast the hand turns against the forearm, and the forearm itself.

    Raises
    ------
    InputError
        ``movement-missing`` where there is no still pose or no flexing.
    """
    wrist, forearm = _averaged(wrist_dps, forearm_dps)
    half = int(_AVERAGED_S * _GRID_HZ) // 2
    quiet = np.maximum(*(uniform_filter1d(np.abs(s), half) for s in (wrist_dps, forearm_dps)))
    flexing = _runs((wrist > _MOVING_DPS) & (wrist > 2 * forearm))
    rolling = _runs((forearm > _MOVING_DPS) & (forearm > 2 * wrist))
    still = [run for run in _runs(quiet < MAX_STILL_DPS) if _lasts_s(run) >= MIN_STILL_S]
    if not flexing:
        expected = f"the wrist flexed and extended, faster than {_MOVING_DPS:g} degrees a second and alone"
        found = _fastest(t_s, wrist, forearm)
        raise InputError("movement-missing", where="flex-extend", expected=expected, found=found)
    if not still:
        expected = f"{MIN_STILL_S:g} s below {MAX_STILL_DPS:g} degrees a second"
        quietest = int(quiet.argmin())
        found = f"at the quietest, at {t_s[quietest]:.1f} s, {quiet[quietest]:.0f} degrees a second"
        raise InputError("movement-missing", where="still", expected=expected, found=found)
    flex = max(flexing, key=_lasts_s)
    before = [run for run in still if run[0] < flex[0]]
    pose = before[-1] if before else max(still, key=_lasts_s)
    roll = max(rolling, key=_lasts_s) if rolling else None
    return Spans(_span(t_s, pose), _span(t_s, flex), _span(t_s, roll) if roll else None)


def _averaged(*speeds_dps: Array) -> tuple[Array, ...]:
    return tuple(uniform_filter1d(np.abs(speed), int(_AVERAGED_S * _GRID_HZ)) for speed in speeds_dps)


def _fastest(t_s: Array, wrist_dps: Array, forearm_dps: Array) -> str:
    """How fast wrist and forearm turned at most in a second, and how fast the other turned meanwhile."""
    wrist_at, forearm_at = int(wrist_dps.argmax()), int(forearm_dps.argmax())
    return (
        f"the wrist at most at {wrist_dps[wrist_at]:.0f} degrees a second, at {t_s[wrist_at]:.1f} s, the forearm "
        f"then at {forearm_dps[wrist_at]:.0f}; the forearm at most at {forearm_dps[forearm_at]:.0f}, at "
        f"{t_s[forearm_at]:.1f} s, the wrist then at {wrist_dps[forearm_at]:.0f}"
    )


def principal_axis(turns_deg: Array) -> tuple[Array, float]:
    """The axis that rotation vectors ``(n, 3)`` share, and the root-mean-square angle of what is off it, degrees."""
    values, vectors = np.linalg.eigh(turns_deg.T @ turns_deg)
    return vectors[:, 2], float(
        np.rad2deg(np.arctan2(np.sqrt(max(values[0] + values[1], 0)), np.sqrt(values[2])))
    )


def _movement_axis(turns_deg: Array, name: str, span: Span, min_deg: float, *, begins: int) -> Axis:
    """The axis of a movement that begins by turning positively (+1) or negatively (-1) about it."""
    if span[1] - span[0] < MIN_MOVEMENT_S or len(turns_deg) < _PARTS * _STEP:
        found = f"{span[1] - span[0]:.1f} s"
        raise InputError("movement-too-short", where=name, expected=f"{MIN_MOVEMENT_S:g} s", found=found)
    vector, off_deg = principal_axis(turns_deg)
    angle_deg = np.cumsum(turns_deg @ vector) / _STEP
    if np.ptp(angle_deg) < min_deg:
        raise InputError(
            "movement-too-small",
            where=name,
            expected=f"{min_deg:g} degrees from end to end",
            found=f"{np.ptp(angle_deg):.0f}",
        )
    if off_deg > MAX_OFF_AXIS_DEG:
        raise InputError(
            "movement-not-one-axis",
            where=name,
            expected=f"a turn about one axis, at most {MAX_OFF_AXIS_DEG:g} degrees off it",
            found=f"{off_deg:.0f}",
        )
    if begins:
        begun = int(np.argmax(np.abs(angle_deg) > _BEGUN_DEG))
        vector = vector * (begins * np.sign(angle_deg[begun]))
    path = np.cumsum(np.linalg.norm(turns_deg, axis=1))
    cuts = np.searchsorted(path, path[-1] * np.arange(1, _PARTS) / _PARTS)
    parts = [principal_axis(part)[0] for part in np.split(turns_deg, cuts)]
    apart = np.array([_between_deg(part * np.sign(part @ vector), vector) for part in parts])
    return Axis(vector, off_deg, float(np.sqrt((apart**2).sum() / (_PARTS - 1) / _PARTS)))


def _from_axes(flexion: Array, long: Array, long_weight: float = 1.0) -> Rotation:
    """The rotation from bone axes into the sensor's: Z and Y as seen there, the misfit shared by weight."""
    bones = [[0.0, 0.0, 1.0], [0.0, 1.0, 0.0]]
    return Rotation.align_vectors([flexion, long], bones, weights=[1.0, long_weight])[0]


def _check_apart(first: Array, second: Array) -> float:
    apart_deg = _between_deg(first, second)
    if not MIN_APART_DEG <= apart_deg <= 180 - MIN_APART_DEG:
        expected = f"axes {MIN_APART_DEG:g} degrees apart at least"
        raise InputError(
            "movements-parallel", expected=expected, found=f"{min(apart_deg, 180 - apart_deg):.0f}"
        )
    return apart_deg


def _check_still(name: str, span: Span, *speeds_dps: Array) -> None:
    if span[1] - span[0] < MIN_STILL_S:
        found = f"{span[1] - span[0]:.1f} s"
        raise InputError("movement-too-short", where=name, expected=f"{MIN_STILL_S:g} s", found=found)
    fastest = max(float(np.median(speed)) for speed in speeds_dps)
    if fastest > MAX_STILL_DPS:
        expected = f"less than {MAX_STILL_DPS:g} degrees a second"
        raise InputError("pose-not-still", where=name, expected=expected, found=f"{fastest:.0f}")


def _between_deg(first: Array, second: Array) -> float:
    cosine = first @ second / np.linalg.norm(first) / np.linalg.norm(second)
    return float(np.rad2deg(np.arccos(np.clip(cosine, -1, 1))))


def _even(t_s: Array, values: Array) -> tuple[Array, Array]:
    """Times of an even clock and ``(n, k)`` samples on it, averaged so that rate, jitter and noise matter little."""
    if len(t_s) < 2 or not np.all(np.diff(t_s) > 0):
        raise InputError("time-runs-back", expected="two or more rising times", found=f"{len(t_s)} times")
    even = np.arange(t_s[0], t_s[-1], 1 / _GRID_HZ)
    width = max(1, round(_SMOOTH_S / float(np.median(np.diff(t_s)))))
    nearest = np.searchsorted((t_s[1:] + t_s[:-1]) / 2, even)
    return even, uniform_filter1d(values, width, axis=0)[nearest]


def _rotations(t_s: Array, quaternions: Array) -> Rotation:
    """Orientations on the even clock; a quaternion and its negative are the same, so signs are made to follow on."""
    flips = np.where((quaternions[1:] * quaternions[:-1]).sum(axis=1) < 0, -1.0, 1.0)
    signs = np.concatenate([[1.0], np.cumprod(flips)])
    return Rotation.from_quat(_even(t_s, quaternions * signs[:, None])[1])


def _within(t_s: Array, span: Span | None) -> NDArray[np.bool_]:
    start, end = span or (0.0, 0.0)
    return (t_s >= start) & (t_s < end)


def _speeds(rotations: Rotation) -> Array:
    """Degrees a second, one a grid sample."""
    if len(rotations) <= _STEP:
        return np.zeros(len(rotations))
    return _padded(np.rad2deg((rotations[:-_STEP].inv() * rotations[_STEP:]).magnitude()))


def _turning(axis: Array) -> Array:
    if len(axis) <= _STEP:
        return np.zeros(len(axis))
    return _padded(np.rad2deg(np.arccos(np.clip((axis[:-_STEP] * axis[_STEP:]).sum(axis=1), -1, 1))))


def _padded(turned_deg: Array) -> Array:
    """Turns over `_STEP` samples as speeds at the middle of each, the ends held."""
    return np.pad(turned_deg, (_STEP // 2, _STEP - _STEP // 2), mode="edge") * _GRID_HZ / _STEP


def _runs(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(int), [0]])))
    return [(int(start), int(end)) for start, end in edges.reshape(-1, 2)]


def _span(t_s: Array, run: tuple[int, int]) -> Span:
    return float(t_s[run[0]]), float(t_s[run[1] - 1])


def _lasts_s(run: tuple[int, int]) -> float:
    return (run[1] - run[0] - 1) / _GRID_HZ
