"""Joint angles from segment orientations: any layout, either side, and typed refusals."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from faultml.errors import InputError
from faultml.motion.rotations import joint_angles, joint_rotations

ANGLES = st.tuples(st.floats(-170, 170), st.floats(-80, 80), st.floats(-170, 170))


@given(ANGLES, st.sampled_from(["right", "left"]))
def test_angles_come_back_from_their_rotation(angles_deg: tuple[float, ...], side: str) -> None:
    proximal = Rotation.from_euler("XYZ", [20, -130, 65], degrees=True)
    distal = proximal * Rotation.from_quat(joint_rotations(angles_deg, side))
    read = joint_angles(proximal.as_quat(), distal.as_quat(), side)
    np.testing.assert_allclose(read, angles_deg, atol=1e-6)


def test_matrices_and_quaternions_read_the_same_whatever_the_leading_axes() -> None:
    random = np.random.default_rng(0)
    first, second = Rotation.random(24, rng=random), Rotation.random(24, rng=random)
    flat = joint_angles(first.as_quat(), second.as_quat())
    assert flat.shape == (24, 3)
    shaped = joint_angles(first.as_quat().reshape(2, 3, 4, 4), second.as_quat().reshape(2, 3, 4, 4))
    np.testing.assert_array_equal(shaped, flat.reshape(2, 3, 4, 3))
    matrices = joint_angles(first.as_matrix().reshape(4, 6, 3, 3), second.as_matrix().reshape(4, 6, 3, 3))
    np.testing.assert_allclose(matrices.reshape(24, 3), flat, atol=1e-9)
    np.testing.assert_allclose(joint_angles(first.as_matrix()[0], second.as_matrix()[0]), flat[0], atol=1e-9)


def test_a_quaternion_and_its_negative_are_one_orientation() -> None:
    first, second = Rotation.random(8, rng=np.random.default_rng(1)).as_quat().reshape(2, 4, 4)
    np.testing.assert_allclose(joint_angles(-first, second), joint_angles(first, second), atol=1e-12)


def test_sides_may_differ_by_swing() -> None:
    angles_deg = np.random.default_rng(2).uniform(-40, 40, (4, 5, 3))
    sides = ["right", "left", "left", "right"]
    turned = joint_rotations(angles_deg, sides)
    identity = np.broadcast_to([0.0, 0.0, 0.0, 1.0], turned.shape)
    np.testing.assert_allclose(joint_angles(identity, turned, sides), angles_deg, atol=1e-9)
    misread = joint_angles(identity, turned)
    np.testing.assert_allclose(misread[1], angles_deg[1] * [1, -1, -1], atol=1e-9)
    np.testing.assert_allclose(misread[3], angles_deg[3], atol=1e-9)


def test_a_swing_does_not_depend_on_the_others() -> None:
    first, second = Rotation.random(60, rng=np.random.default_rng(4)).as_quat().reshape(2, 30, 4)
    together = joint_angles(first, second)
    np.testing.assert_array_equal(joint_angles(first[7:8], second[7:8]), together[7:8])


def test_pronation_is_the_third_angle_between_upper_arm_and_forearm() -> None:
    upper_arm = Rotation.from_euler("XYZ", [10, 20, 30], degrees=True)
    forearm = upper_arm * Rotation.from_euler("ZXY", [15, 4, 62], degrees=True)
    np.testing.assert_allclose(joint_angles(upper_arm.as_quat(), forearm.as_quat()), [15, 4, 62], atol=1e-9)


GOOD = Rotation.random(3, rng=np.random.default_rng(5)).as_quat()


@pytest.mark.parametrize(
    ("orientation", "code", "where"),
    [
        (GOOD * [[1.0], [1.01], [1.0]], "not-a-rotation", "distal[1]"),
        (np.zeros((3, 4)), "not-a-rotation", "distal[0]"),
        (np.where(np.arange(12).reshape(3, 4) == 9, np.nan, GOOD), "not-finite", "distal[2, 1]"),
        (np.where(np.arange(12).reshape(3, 4) == 4, np.inf, GOOD), "not-finite", "distal[1, 0]"),
        (GOOD[:, :2], "bad-orientation", "distal"),
        (GOOD[:2], "bad-orientation", "distal"),
        (2.0 * np.eye(3), "not-a-rotation", "distal"),
        (np.stack([np.eye(3), 1.1 * np.eye(3), np.eye(3)]), "not-a-rotation", "distal[1]"),
        (np.stack([np.eye(3), np.eye(3), np.diag([1.0, 1.0, -1.0])]), "not-a-rotation", "distal[2]"),
        (np.full((3, 3, 3), np.nan), "not-finite", "distal[0, 0, 0]"),
    ],
)
def test_what_is_no_orientation_is_refused(orientation: np.ndarray, code: str, where: str) -> None:
    with pytest.raises(InputError) as caught:
        joint_angles(GOOD, orientation)
    assert (caught.value.code, caught.value.where) == (code, where)
    assert caught.value.expected and caught.value.found


def test_single_precision_is_near_enough_to_one() -> None:
    read = joint_angles(GOOD.astype(np.float32), np.roll(GOOD, 1, axis=0).astype(np.float32))
    np.testing.assert_allclose(read, joint_angles(GOOD, np.roll(GOOD, 1, axis=0)), atol=1e-4)


@pytest.mark.parametrize("side", ["", "Left", "both", ["right", "left"], ["right", "up", "left"]])
def test_an_unknown_or_miscounted_side_is_refused(side: object) -> None:
    with pytest.raises(InputError, match="unknown-side"):
        joint_angles(GOOD, GOOD, side)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("angles_deg", "code"), [([[1, 2]], "bad-angles"), (5.0, "bad-angles"), ([1, np.nan, 3], "not-finite")]
)
def test_what_is_no_set_of_angles_is_refused(angles_deg: object, code: str) -> None:
    with pytest.raises(InputError, match=code):
        joint_rotations(angles_deg)  # type: ignore[arg-type]
