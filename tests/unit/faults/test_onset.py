"""Where a fault starts, on curves drawn by hand."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from faultml.channels import FLEXION, PRONATION, ULNAR
from faultml.faults.catalogue import Catalogue
from faultml.faults.measure import PHASE_GRID, evaluate
from faultml.faults.onset import onset_phases, phase_words

Array = NDArray[np.float64]


def onset(catalogue: Catalogue, fault_id: str, channel: int, knots: dict[float, float]) -> float:
    curves = np.zeros((1, 3, len(PHASE_GRID)))
    curves[0, channel] = np.interp(PHASE_GRID, list(knots), list(knots.values()))
    fault = catalogue[fault_id]
    return float(onset_phases(fault, curves, evaluate(fault.measure, curves), np.array([fault.edge]))[0])


@pytest.mark.parametrize(
    ("fault", "channel", "knots", "starts"),
    [
        # Straight from 0 to 40 at the top: past 25 from b 0.625 on; the grid's next point is b 0.64.
        ("flexed_top", FLEXION, {0: 0, 1: 40, 2: 0}, 0.64),
        # Once out, back in, and out again: the start of the stretch that the reading lies in.
        ("flexed_top", FLEXION, {0: 0, 0.3: 30, 0.5: 10, 0.9: 10, 1: 40, 2: 0}, 0.96),
        ("cupped_top", FLEXION, {0: 0, 1: -40, 2: 0}, 0.52),
        ("flexed_takeaway", FLEXION, {0: 0, 0.4: 20, 0.6: 0, 3: 0}, 0.26),
        ("overset", ULNAR, {0: 0, 1: -40, 1.25: -60, 2: 0}, 1.07),
        ("early_set", ULNAR, {0: 0, 0.4: -40, 1: -40, 2: 0}, 0.26),
        ("flip", FLEXION, {0: 0, 1: 10, 1.5: 10, 2: -20, 3: -40}, 1.76),
        ("roll_over", PRONATION, {0: 0, 1: 40, 2: -60, 3: -80}, 1.66),
        # A drop starts where as much is lost as the edge allows.
        ("recupping", FLEXION, {0: 0, 1: -10, 1.5: -40, 2: 0}, 1.21),
        ("flexing_downswing", FLEXION, {0: 0, 1: 0, 1.6: 60, 2: 60}, 1.26),
        ("early_roll", PRONATION, {0: 0, 1: 40, 1.4: 0, 2: -20}, 1.16),
        # A release starts where it is measured.
        ("early_ulnar_release", ULNAR, {0: 0, 1: -30, 1.2: -30, 2: 10}, 1.40),
        # What is never reached is reported at its window: too little hinge at its start, a hold-off at its end.
        ("underset", ULNAR, {0: 0, 1: -5, 2: 0}, 0.80),
        ("hold_off", PRONATION, {0: 0, 1: 40, 2: 0, 3: 0}, 2.30),
    ],
)
def test_a_fault_starts_where_its_curve_leaves_the_corridor(
    fault: str, channel: int, knots: dict[float, float], starts: float, catalogue: Catalogue
) -> None:
    assert onset(catalogue, fault, channel, knots) == pytest.approx(starts, abs=1e-6)


def test_a_moved_edge_moves_the_start(catalogue: Catalogue) -> None:
    curves = np.zeros((2, 3, len(PHASE_GRID)))
    curves[:, FLEXION] = np.interp(PHASE_GRID, [0, 1, 2], [0, 40, 0])
    starts = onset_phases(catalogue["flexed_top"], curves, np.array([40.0, 40.0]), np.array([25.0, 35.0]))
    np.testing.assert_allclose(starts, [0.64, 0.88])


def test_an_estimate_past_the_edge_with_a_curve_inside_starts_where_it_is_read(catalogue: Catalogue) -> None:
    curves = np.zeros((1, 3, len(PHASE_GRID)))
    assert onset_phases(catalogue["flexed_top"], curves, np.array([27.0]), np.array([25.0]))[0] == 1.0


def test_starts_are_said_in_phases() -> None:
    letters, fractions = phase_words(np.array([0.0, 0.64, 1.0, 1.35, 2.0, 2.3]))
    assert letters.tolist() == ["b", "b", "b", "d", "d", "f"]
    np.testing.assert_allclose(fractions, [0, 0.64, 1, 0.35, 1, 0.3])
