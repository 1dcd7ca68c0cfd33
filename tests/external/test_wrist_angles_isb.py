"""Wrist angles against the joint coordinate system of the International Society of Biomechanics.

Source: Wu et al. 2005, J Biomech 38:981-992 (sequence Z-X'-Y'', left arms mirrored); signs as tabulated in
PMC10782867, table 2. The numbers are derived from the geometry, here with matrices written out by hand.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from faultml.motion.rotations import joint_angles, joint_rotations
from faultml.synthetic.sensors import mount

Array = NDArray[np.float64]


def about(axis: str, angle_deg: float) -> Array:
    """A rotation matrix about one axis, written out."""
    c, s = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    return np.array(
        {
            "x": [[1, 0, 0], [0, c, -s], [0, s, c]],
            "y": [[c, 0, s], [0, 1, 0], [-s, 0, c]],
            "z": [[c, -s, 0], [s, c, 0], [0, 0, 1]],
        }[axis]
    )


def hand(flexion: float, ulnar: float, twist: float = 0.0) -> Array:
    """The hand in the forearm's frame: Z, then X', then Y''."""
    return about("z", flexion) @ about("x", ulnar) @ about("y", twist)


FOREARM = about("y", 70) @ about("z", -25) @ about("x", 140)


def test_the_sequence_round_trips_exactly() -> None:
    """facts.md, check 1: (30, -20, 10) comes back to 1e-6."""
    read = joint_angles(FOREARM, FOREARM @ hand(30, -20, 10))
    np.testing.assert_allclose(read, [30, -20, 10], atol=1e-6)
    again = joint_angles([0, 0, 0, 1], joint_rotations([30, -20, 10]))
    np.testing.assert_allclose(again, [30, -20, 10], atol=1e-6)


def test_ulnar_and_flexion_are_read_off_the_matrix_as_written() -> None:
    """conventions.md: ulnar = asin(M32), flexion = atan2(-M12, M22)."""
    between = hand(-37, 18, 6)
    flexion, ulnar, _ = joint_angles(np.eye(3), between)
    assert flexion == pytest.approx(np.rad2deg(np.arctan2(-between[0, 1], between[1, 1])))
    assert ulnar == pytest.approx(np.rad2deg(np.arcsin(between[2, 1])))


def test_another_sequence_reads_other_angles() -> None:
    """facts.md, check 1: flexion -40, ulnar -25 read in the sequence X-Z' are -35.63, -31.33: the order matters."""
    between = hand(-40, -25)
    flexion = np.rad2deg(np.arcsin(-between[0, 1]))
    ulnar = np.rad2deg(np.arctan2(between[2, 1], between[1, 1]))
    assert (flexion, ulnar) == pytest.approx((-35.63, -31.33), abs=0.005)
    np.testing.assert_allclose(joint_angles(np.eye(3), between)[:2], [-40, -25], atol=1e-9)


def test_a_left_arm_that_is_not_mirrored_flips_all_but_flexion() -> None:
    """facts.md, check 2. The left arm's segments are the right one's, seen in a mirror (z -> -z)."""
    mirror = np.diag([1.0, 1.0, -1.0])
    left_forearm, left_hand = (mirror @ segment @ mirror for segment in (FOREARM, FOREARM @ hand(-22, 14, 5)))
    np.testing.assert_allclose(joint_angles(left_forearm, left_hand, "left"), [-22, 14, 5], atol=1e-9)
    np.testing.assert_allclose(joint_angles(left_forearm, left_hand), [-22, -14, -5], atol=1e-9)


@pytest.mark.parametrize("turned_deg", [10.0, -10.0])
def test_a_sensor_turned_about_the_forearm_reads_false_ulnar_deviation(turned_deg: float) -> None:
    """facts.md, check 3: 40 extension, turned 10 degrees: 6.41 of false ulnar deviation, flexion -39.57."""
    worn = about("y", turned_deg)
    flexion, ulnar, _ = joint_angles(worn, hand(-40, 0) @ worn)
    assert flexion == pytest.approx(-39.57, abs=0.005)
    assert abs(ulnar) == pytest.approx(6.41, abs=0.005)
    angles_deg = np.array([-40.0, 0.0, 0.0])[None, :, None]
    seen = mount(angles_deg, np.array([[0.0, turned_deg, 0.0], [0.0, 0.0, 0.0]]))[0, :, 0]
    np.testing.assert_allclose(seen, [flexion, ulnar], atol=1e-9)


def test_false_ulnar_deviation_grows_with_the_turn_as_tabulated() -> None:
    """facts.md, Sensors: 40 extension reads 3.2 / 6.4 / 9.6 for 5 / 10 / 15 degrees; flexion changes under 1."""
    angles_deg = np.array([-40.0, 0.0, 0.0])[None, :, None]
    for turned_deg, false_ulnar_deg in ((5, 3.2), (10, 6.4), (15, 9.6)):
        flexion, ulnar = mount(angles_deg, np.array([[0.0, turned_deg, 0.0], [0.0, turned_deg, 0.0]]))[
            0, :, 0
        ]
        assert abs(ulnar) == pytest.approx(false_ulnar_deg, abs=0.05)
        assert abs(flexion + 40) < 1


def test_mounting_reads_what_turned_segments_give() -> None:
    """Any rotation vectors: the generator's sensor model and the joint angles are two ways to the same numbers."""
    random = np.random.default_rng(3)
    angles_deg = random.uniform(-50, 50, (5, 3, 7))
    mounting_deg = random.normal(0, 8, (2, 3))
    on_forearm, on_hand = Rotation.from_rotvec(mounting_deg, degrees=True).as_matrix()
    seen = mount(angles_deg, mounting_deg)
    for row in range(5):
        for at in range(7):
            bones = hand(angles_deg[row, 0, at], angles_deg[row, 1, at])
            read = joint_angles(on_forearm, bones @ on_hand)
            np.testing.assert_allclose(seen[row, :, at], read[:2], atol=1e-9)
