"""Alignment from calibration movements: imperfect ones, either arm, sensors turned differently; and what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from calibration_fakes import Calibration, record_angles, record_orientations
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from faultml.errors import InputError
from faultml.motion.align import (
    Fit,
    Spans,
    align_angles,
    align_orientations,
    find_in_angles,
    find_in_orientations,
    principal_axis,
)
from faultml.motion.rotations import Side, joint_angles, joint_rotations, mirrored
from faultml.motion.turn import turn, turn_hand_axis

SIDES: tuple[Side, ...] = ("right", "left")


def read_through(fit: Fit, on_forearm: Rotation, on_hand: Rotation, side: Side) -> np.ndarray:
    """40 degrees of extension as two such sensors and the alignment read it."""
    assert fit.hand is not None
    forearm = Rotation.from_quat(mirrored(on_forearm.inv().as_quat(), side))
    bones = Rotation.from_quat(joint_rotations([-40.0, 0.0, 0.0]))
    hand = Rotation.from_quat(mirrored((bones * on_hand.inv()).as_quat(), side))
    return joint_angles((forearm * fit.forearm).as_quat(), (hand * fit.hand).as_quat(), side)


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("seed", range(6))
def test_false_ulnar_of_two_sensors_falls_below_two_degrees(seed: int, side: Side) -> None:
    """The forearm's sensor 15 degrees about the forearm and some degrees otherwise, the hand's anyhow."""
    random = np.random.default_rng(seed)
    tilt = Rotation.from_rotvec(random.normal(0, 5, 3), degrees=True)
    on_forearm = Rotation.from_euler("Y", 15 * (-1) ** seed, degrees=True) * tilt
    on_hand = Rotation.from_rotvec(random.normal(0, 40, 3), degrees=True)
    seen = record_orientations(random, on_forearm, on_hand, side, noise_deg=0.8, off_deg=4.0)
    spans = find_in_orientations(seen.t_s, seen.forearm, seen.hand)
    fit = align_orientations(seen.t_s, seen.forearm, seen.hand, spans, side)
    flexion, ulnar, _ = read_through(fit, on_forearm, on_hand, side)
    assert abs(ulnar) < 2 and abs(flexion + 40) < 1
    assert fit.hinge_deg < 10 and fit.mounting_sd_deg < 5


@pytest.mark.parametrize("turn_deg", [15.0, -15.0, 5.0, 0.0, 40.0])
@pytest.mark.parametrize("seed", range(3))
def test_false_ulnar_of_a_recorder_of_angles_falls_below_two_degrees(turn_deg: float, seed: int) -> None:
    seen = record_angles(np.random.default_rng(seed), turn_deg, noise_deg=0.8, off_deg=4.0)
    fit = align_angles(seen.t_s, seen.angles_deg, find_in_angles(seen.t_s, seen.angles_deg))
    assert fit.turn_deg == pytest.approx(turn_deg, abs=3)
    read = turn(np.array([[-40.0], [0.0], [20.0]]), turn_deg)
    flexion, ulnar, pronation = turn_hand_axis(read, fit.forearm.inv().as_matrix())[:, 0]
    assert abs(ulnar) < 2 and abs(flexion + 40) < 1 and pronation == 20


def test_the_stated_doubt_covers_what_is_left() -> None:
    left = []
    for seed in range(60):
        seen = record_angles(np.random.default_rng(seed), 12.0, off_deg=5.0)
        fit = align_angles(seen.t_s, seen.angles_deg, find_in_angles(seen.t_s, seen.angles_deg))
        assert fit.turn_deg is not None
        left.append((fit.turn_deg - 12.0) / fit.mounting_sd_deg)
    assert np.mean(np.abs(left) < 1.645) >= 0.9


def test_movements_are_found_where_they_are() -> None:
    seen = record_orientations(np.random.default_rng(1), Rotation.identity(), Rotation.identity())
    spans = find_in_orientations(seen.t_s, seen.forearm, seen.hand)
    assert spans.roll_s is not None
    for found, true in zip(spans, ((0, 2), (2, 10), (11, 19)), strict=True):
        assert found == pytest.approx(true, abs=0.6)


def still_only() -> Calibration:
    seen = record_angles(np.random.default_rng(0), 0.0)
    return seen._replace(angles_deg=np.zeros_like(seen.angles_deg))


def test_what_does_not_do_as_a_calibration_is_refused() -> None:
    def refused(seen: Calibration, spans: Spans | None = None) -> str:
        with pytest.raises(InputError) as caught:
            align_angles(seen.t_s, seen.angles_deg, spans or find_in_angles(seen.t_s, seen.angles_deg))
        return caught.value.code

    good = record_angles(np.random.default_rng(0), 0.0)
    still, flexing = (0.0, 1.8), (2.0, 10.0)
    assert refused(still_only()) == "movement-missing"
    assert refused(good, Spans(still, (2.0, 3.5))) == "movement-too-short"
    assert refused(good, Spans((0.0, 0.5), flexing)) == "movement-too-short"
    assert refused(good, Spans((3.0, 5.0), flexing)) == "pose-not-still"
    small = good._replace(angles_deg=good.angles_deg * 0.4)
    assert refused(small, Spans(still, flexing)) == "movement-too-small"
    round_about = good._replace(angles_deg=good.angles_deg.copy())
    round_about.angles_deg[1] = 35 * np.cos(2 * np.pi * (good.t_s - 2) / 2) * (good.t_s > 2)
    assert refused(round_about, Spans(still, flexing)) == "movement-not-one-axis"
    sideways = good._replace(angles_deg=good.angles_deg[[1, 0, 2]])
    assert refused(sideways, Spans(still, flexing)) == "turned-too-far"


def test_a_missing_movement_says_what_was_found_instead() -> None:
    with pytest.raises(InputError) as caught:
        find_in_angles(still_only().t_s, still_only().angles_deg)
    assert "the wrist at most at 0 degrees a second" in caught.value.found
    seen = record_orientations(np.random.default_rng(1), Rotation.identity(), Rotation.identity())
    kept = seen.t_s < 10.5
    with pytest.raises(InputError) as caught:
        find_in_orientations(seen.t_s[kept], seen.forearm[kept], seen.hand[kept])
    assert caught.value.where == "roll"
    assert "flexing from 1." in caught.value.found and "the forearm at most at" in caught.value.found
    random = np.random.default_rng(0)
    restless = record_angles(random, 0.0)
    shaken = restless.angles_deg + np.array([[40.0], [0.0], [0.0]]) * np.sin(2 * np.pi * restless.t_s)
    with pytest.raises(InputError) as caught:
        find_in_angles(restless.t_s, shaken)
    assert caught.value.where == "still" and "at the quietest, at" in caught.value.found


def test_two_movements_about_one_axis_are_refused() -> None:
    seen = record_orientations(np.random.default_rng(2), Rotation.identity(), Rotation.identity())
    flat = np.array([0.0, 0.0, 1.0])
    bend = np.where((seen.t_s > 2) & (seen.t_s < 10), 40 * np.sin(np.pi * (seen.t_s - 2)), 0.0)
    lift = np.where((seen.t_s > 11) & (seen.t_s < 19), 50 * np.sin(np.pi * (seen.t_s - 11)), 0.0)
    forearm = Rotation.from_rotvec(np.outer(lift, flat), degrees=True)
    hand = forearm * Rotation.from_rotvec(np.outer(bend, flat), degrees=True)
    with pytest.raises(InputError, match="movements-parallel"):
        align_orientations(
            seen.t_s, forearm.as_quat(), hand.as_quat(), Spans((0, 1.8), (2, 10), (11, 19)), "right"
        )
    with pytest.raises(InputError, match="movement-missing"):
        align_orientations(seen.t_s, forearm.as_quat(), hand.as_quat(), Spans((0, 1.8), (2, 10)), "right")


@settings(max_examples=25)
@given(st.integers(0, 2**32 - 1), st.floats(-60, 60))
def test_turning_there_and_back_is_no_turn(seed: int, turn_deg: float) -> None:
    angles_deg = np.random.default_rng(seed).uniform(-60, 60, (3, 3, 5))
    there = turn(angles_deg, np.array([turn_deg, 0.0, -turn_deg]))
    np.testing.assert_allclose(turn(there, np.array([-turn_deg, 0.0, turn_deg])), angles_deg, atol=1e-9)
    np.testing.assert_allclose(there[0], turn(angles_deg[0], turn_deg), atol=1e-12)


@settings(max_examples=25)
@given(st.integers(0, 2**32 - 1))
def test_a_common_turn_of_the_frame_turns_the_axis_with_it(seed: int) -> None:
    random = np.random.default_rng(seed)
    turns_deg = np.outer(random.normal(0, 10, 50), [0.2, -0.4, 0.9]) + random.normal(0, 0.5, (50, 3))
    frame = Rotation.random(rng=random)
    axis, off_deg = principal_axis(turns_deg)
    other, other_deg = principal_axis(frame.apply(turns_deg))
    assert abs(frame.apply(axis) @ other) == pytest.approx(1, abs=1e-9)
    assert off_deg == pytest.approx(other_deg, abs=1e-6)
