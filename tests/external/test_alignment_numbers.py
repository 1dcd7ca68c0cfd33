"""Alignment against the published and derived numbers.

Sources: the sensor's turn, derived from the geometry of the ISB sequence (Wu et al. 2005, J Biomech 38:981-992), is
computed here with scipy's rotations; the hinge's axis from angular velocities is the method of Seel, Raisch & Schauer
2014, Sensors 14:6891 (from memory), held here against the axis of scipy's own rotation vectors.
"""

from __future__ import annotations

import numpy as np
import pytest
from calibration_fakes import record_angles
from scipy.spatial.transform import Rotation

from faultml.motion.align import align_angles, find_in_angles, principal_axis
from faultml.motion.rotations import joint_angles
from faultml.motion.turn import turn, turn_hand_axis


@pytest.mark.parametrize(("turn_deg", "false_deg"), [(5, 3.2), (10, 6.4), (15, 9.6), (-15, 9.6)])
def test_a_turned_sensor_reads_the_tabulated_false_ulnar_deviation(turn_deg: float, false_deg: float) -> None:
    """40 extension reads 3.2 / 6.4 / 9.6 of false ulnar for 5 / 10 / 15 degrees; flexion changes under 1."""
    flexion, ulnar, _ = turn(np.array([[-40.0], [0.0], [0.0]]), turn_deg)[:, 0]
    assert abs(ulnar) == pytest.approx(false_deg, abs=0.05)
    assert abs(flexion + 40) < 1


def test_turned_angles_are_what_scipy_reads_from_turned_frames() -> None:
    random = np.random.default_rng(8)
    angles_deg = random.uniform(-60, 60, (3, 40))
    turn_deg = 23.0
    bones = Rotation.from_euler("ZXY", angles_deg.T * [1, 1, 0], degrees=True)
    sensor = Rotation.from_euler("Y", turn_deg, degrees=True)
    expected = (sensor.inv() * bones).as_euler("ZXY", degrees=True)
    np.testing.assert_allclose(turn(angles_deg, turn_deg)[:2], expected[:, :2].T, atol=1e-9)
    forearm = np.tile(sensor.as_quat(), (40, 1))
    np.testing.assert_allclose(joint_angles(forearm, bones.as_quat())[:, :2], expected[:, :2], atol=1e-9)


def test_an_alignment_takes_nearly_all_of_it_away() -> None:
    """15 degrees of mounting error: 9.6 of false ulnar deviation falls below 2."""
    seen = record_angles(np.random.default_rng(11), 15.0, noise_deg=1.0, off_deg=4.0)
    fit = align_angles(seen.t_s, seen.angles_deg, find_in_angles(seen.t_s, seen.angles_deg))
    read = turn(np.array([[-40.0], [0.0], [0.0]]), 15.0)
    assert abs(read[1, 0]) == pytest.approx(9.6, abs=0.05)
    assert abs(turn_hand_axis(read, fit.forearm.inv().as_matrix())[1, 0]) < 2


def test_a_pure_hinge_has_scipys_own_axis() -> None:
    random = np.random.default_rng(9)
    axis = random.normal(0, 1, 3)
    axis /= np.linalg.norm(axis)
    hinge = Rotation.from_rotvec(np.outer(40 * np.sin(np.arange(0, 6, 0.02)), axis), degrees=True)
    found, off_deg = principal_axis((hinge[1:] * hinge[:-1].inv()).as_rotvec(degrees=True))
    assert abs(found @ axis) == pytest.approx(1, abs=1e-9)
    assert off_deg < 1e-4
