"""The closure budget against rotations of the club that are differentiated numerically.

Source: geometry. The club is a rigid extension of the hand, the hand's orientation is the product of three scipy
rotations Ry(pronation) Rz(flexion) Rx(ulnar), and what turns about the shaft is the angular velocity's part along it.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from faultml.faults.measure import IMPACT_INDEX, PHASE_GRID, TOP_INDEX
from faultml.motion.closure import SHAFT_ANGLE_AT_ADDRESS_DEG, closure_budget, closure_steps

Array = NDArray[np.float64]
STEPS = np.linspace(0, 1, 40_001)


def turned_about_the_shaft(angles_deg: Array, k0_deg: float) -> float:
    """Degrees the club turns about its own shaft along a path ``(3, n)``, closing positive."""
    flexion, ulnar, pronation = angles_deg
    hand = Rotation.from_euler("YZX", np.column_stack([pronation, flexion, ulnar]), degrees=True)
    steps = (hand[:-1].inv() * hand[1:]).as_rotvec()
    # In the hand's own frame the shaft stands still, toward the fingers (-Y) and the thumb's side (Z).
    at_address = np.deg2rad(k0_deg + ulnar[0])
    shaft = np.array([0.0, -np.cos(at_address), np.sin(at_address)])
    return float(np.rad2deg((steps @ shaft).sum()))


def budget(angles_deg: Array, k0_deg: float) -> tuple[float, float]:
    bend, roll = closure_steps(angles_deg[None], (angles_deg[1] - angles_deg[1, 0])[None], k0_deg)
    return float(bend.sum()), float(roll.sum())


@pytest.mark.parametrize("seed", range(6))
def test_any_path_agrees_with_differentiated_rotations(seed: int) -> None:
    """faults.md, "The club face": to 1e-6 degrees, whatever the path."""
    random = np.random.default_rng(seed)
    waves = np.sin(2 * np.pi * (random.uniform(0.2, 1.5, (3, 4, 1)) * STEPS + random.random((3, 4, 1))))
    path = random.uniform(-25, 25, (3, 1)) + (random.uniform(0, 15, (3, 4, 1)) * waves).sum(axis=1)
    k0_deg = random.uniform(45, 65)
    assert sum(budget(path, k0_deg)) == pytest.approx(turned_about_the_shaft(path, k0_deg), abs=1e-6)


@pytest.mark.parametrize("channel", range(3))
def test_each_joint_alone_agrees_too(channel: int) -> None:
    path = np.array([-20.0, 10.0, 5.0])[:, None] * np.ones_like(STEPS)
    path[channel] += 40 * STEPS**2
    bend, roll = budget(path, 55.0)
    assert bend + roll == pytest.approx(turned_about_the_shaft(path, 55.0), abs=1e-6)
    if channel == 0:
        assert bend > 0 and roll == 0, "bowing closes"
    if channel == 1:
        assert bend == roll == 0, "ulnar deviation turns the club across its shaft"
    if channel == 2:
        assert bend == 0 and roll < 0, "pronation opens"


@pytest.mark.parametrize(("k_deg", "share"), [(0, 0.0), (20, 0.342), (45, 0.707), (90, 1.0)])
def test_bowing_closes_by_the_sine_of_the_shaft_angle(k_deg: float, share: float) -> None:
    """facts.md, check 4: sin k at 0, 20, 45, 90."""
    path = np.stack([40 * STEPS, np.zeros_like(STEPS), np.zeros_like(STEPS)])
    bend, roll = budget(path, k_deg)
    assert (bend / 40, roll) == pytest.approx((share, 0), abs=5e-4)


@pytest.mark.parametrize(("k_deg", "closed_deg"), [(90, 40.0), (20, 13.7)])
def test_forty_degrees_of_bowing(k_deg: float, closed_deg: float) -> None:
    """faults.md: k = 90, flexion 0 to 40 gives 40; k = 20 gives 13.7. The shaft angle is set by ulnar deviation."""
    d_ulnar = np.full((1, len(STEPS)), SHAFT_ANGLE_AT_ADDRESS_DEG - k_deg)
    angles = np.stack([40 * STEPS, d_ulnar[0], np.zeros_like(STEPS)])[None]
    bend, _ = closure_steps(angles, d_ulnar)
    assert bend.sum() == pytest.approx(closed_deg, abs=0.05)


def test_the_sum_depends_on_the_path() -> None:
    """faults.md: bow 40 at k = 90 and unbow at k = 45: the wrist is back, the sum reads +11.7."""
    third = np.zeros_like(STEPS)
    flexion = np.concatenate([40 * STEPS, third + 40, 40 - 40 * STEPS])
    ulnar = np.concatenate([third, 45 * STEPS, third + 45])
    path = np.stack([flexion, ulnar, np.zeros_like(flexion)])
    assert flexion[-1] == flexion[0]
    assert sum(budget(path, 90.0)) == pytest.approx(11.7, abs=0.05)
    assert turned_about_the_shaft(path, 90.0) == pytest.approx(11.7, abs=0.05)


def test_the_budget_splits_the_whole_swing_by_phase() -> None:
    """The phases' parts add up to what the differentiated rotations say from takeaway to f 0.30."""
    knots = [0, 1, 1.6, 2, 2.3, 3]
    d_deg = np.stack(
        [
            np.interp(PHASE_GRID, knots, [0, 20, 15, 10, -10, -30]),
            np.interp(PHASE_GRID, knots, [0, -30, -32, 5, 8, -10]),
            np.interp(PHASE_GRID, knots, [0, 45, 35, -5, -40, -50]),
        ]
    )
    address_deg = np.array([-20.0, 12.0, 4.0])
    found = closure_budget(d_deg[None], address_deg[None])
    end = int(np.searchsorted(PHASE_GRID, 2.3 - 1e-9))
    spans = ((0, TOP_INDEX), (TOP_INDEX, IMPACT_INDEX), (IMPACT_INDEX, end))
    for phase, (first, last) in enumerate(spans):
        fine = np.linspace(PHASE_GRID[first], PHASE_GRID[last], 20_001)
        path = np.stack([np.interp(fine, PHASE_GRID, curve) for curve in d_deg]) + address_deg[:, None]
        k_start = SHAFT_ANGLE_AT_ADDRESS_DEG - d_deg[1, first]
        assert found.total_deg[0, phase] == pytest.approx(turned_about_the_shaft(path, k_start), abs=0.02)
    assert found.bend_deg[0, 0] > 0 and found.roll_deg[0, 0] < 0, "bowed and rolled open going back"
    assert found.roll_deg[0, 1] > 0, "rolled closed coming down"
