"""Every measure on curves drawn by hand, from both sides of its edge, with decoys where it must not look.

The table repeats faults.md in other words than the catalogue's data: a mistake in either shows.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray

from faultml.channels import FLEXION, PRONATION, ULNAR
from faultml.errors import CatalogueError
from faultml.faults.catalogue import Catalogue, Position, parse_position
from faultml.faults.measure import (
    IMPACT_INDEX,
    PHASE_GRID,
    TOP_INDEX,
    coordinate,
    evaluate,
    evaluate_all,
    evaluate_guards,
    grid_index,
    late_save,
    phase_times,
)
from faultml.synthetic.coach import Coach

Array = NDArray[np.float64]
DECOY = 80.0


class ByHand(NamedTuple):
    """A fault as faults.md has it: channel, edge, side, and knots (phase 0-3, degrees) that give a measure x."""

    channel: int
    edge: float
    worse: int
    knots: Callable[[float], list[tuple[float, float]]]


def at(phase: float, x: float, decoy: float) -> list[tuple[float, float]]:
    """The value x at one moment, a decoy just before and just after."""
    return [(phase - 0.02, decoy), (phase, x), (phase + 0.02, decoy)]


def extreme(first: float, last: float, x: float, decoy: float) -> list[tuple[float, float]]:
    """The value x in the middle of a span, less at its ends, a decoy just outside."""
    less = x - np.sign(decoy) * 3
    middle = [(first, less), ((first + last) / 2, x), (last, less)]
    return [(first - 0.02, decoy), *middle, (last + 0.02, decoy)]


def release(x: float) -> list[tuple[float, float]]:
    """Hinged to -30 until the downswing's share s, then evenly to +10: a quarter of it is spent at s + (1 - s) / 4."""
    start = 1 + (x - 0.25) / 0.75
    return [(0, 0), (0.78, -60), (0.8, -28), (1, -30), (start, -30), (2, 10), (2.02, 90)]


BY_HAND = {
    "flexed_takeaway": ByHand(FLEXION, 12, +1, lambda x: extreme(0.2, 0.6, x, DECOY)),
    "fanned_takeaway": ByHand(PRONATION, 45, +1, lambda x: at(0.5, x, DECOY)),
    "early_set": ByHand(ULNAR, -24, -1, lambda x: at(0.4, x, -DECOY)),
    "underset": ByHand(ULNAR, -15, +1, lambda x: extreme(0.8, 1.5, x, -DECOY)),
    "overset": ByHand(ULNAR, -45, -1, lambda x: extreme(0.8, 1.5, x, -DECOY)),
    "flexed_top": ByHand(FLEXION, 25, +1, lambda x: at(1.0, x, DECOY)),
    "cupped_top": ByHand(FLEXION, -20, -1, lambda x: at(1.0, x, -DECOY)),
    "recupping": ByHand(
        FLEXION,
        12,
        +1,
        lambda x: [(0, 0), (0.98, -DECOY), (1, -5), (1.3, -5 - x), (1.5, -4 - x), (1.51, -DECOY)],
    ),
    "flexing_downswing": ByHand(
        FLEXION, 25, +1, lambda x: [(0, 0), (1, 7), (1.59, DECOY), (1.6, 7 + x), (1.61, DECOY)]
    ),
    "early_ulnar_release": ByHand(ULNAR, 0.50, -1, release),
    "early_roll": ByHand(
        PRONATION, 15, +1, lambda x: [(0, 0), (1, 40), (1.39, -DECOY), (1.4, 40 - x), (1.41, -DECOY)]
    ),
    "flip": ByHand(FLEXION, -5, -1, lambda x: at(2.0, x, -DECOY)),
    "overflexed_impact": ByHand(FLEXION, 35, +1, lambda x: at(2.0, x, DECOY)),
    "raised_wrist_impact": ByHand(ULNAR, 16, +1, lambda x: at(2.0, x, DECOY)),
    "held_hinge": ByHand(ULNAR, -12, -1, lambda x: at(2.0, x, -DECOY)),
    "roll_over": ByHand(PRONATION, -25, -1, lambda x: at(2.0, x, -DECOY)),
    "hold_off": ByHand(
        PRONATION,
        10,
        -1,
        lambda x: [(0, 0), (1.98, DECOY), (2, -3), (2.28, DECOY), (2.3, -3 - x), (2.32, DECOY)],
    ),
}


def curves(channel: int, knots: list[tuple[float, float]]) -> Array:
    """Phase curves ``(1, 3, 201)``: straight lines through the knots on one channel, nonsense on the others."""
    drawn = np.full((1, 3, len(PHASE_GRID)), 333.0)
    drawn[0, channel] = np.interp(PHASE_GRID, *zip(*knots, strict=True))
    return drawn


def test_every_fault_of_the_catalogue_is_drawn_here(catalogue: Catalogue) -> None:
    assert list(BY_HAND) == list(catalogue.ids) and len(BY_HAND) == 17


@pytest.mark.parametrize("side", [-1, 1])
@pytest.mark.parametrize("fault_id", BY_HAND)
def test_the_measure_is_read_where_it_should_be(fault_id: str, side: int, catalogue: Catalogue) -> None:
    channel, edge, worse, knots = BY_HAND[fault_id]
    fault = catalogue[fault_id]
    step = 0.05 if fault.unit == "share" else 1.0
    measure = edge + side * step
    read = evaluate(fault.measure, curves(channel, knots(measure)))
    assert read.shape == (1,)
    assert read[0] == pytest.approx(measure, abs=2e-3)
    present = fault.sign * (read[0] - fault.edge) > 0
    assert present == (side == worse)


@pytest.mark.parametrize("fault_id", BY_HAND)
def test_a_coach_says_yes_past_the_edge_and_no_inside(fault_id: str, catalogue: Catalogue) -> None:
    channel, edge, worse, knots = BY_HAND[fault_id]
    column = catalogue.ids.index(fault_id)
    softness = catalogue.softness_by_fault[column]
    for side, least, most in ((worse, 0.99, 1.0), (-worse, 0.0, 0.01)):
        drawn = curves(channel, knots(edge + side * 3 * softness))
        chance = Coach.careful(catalogue).chance_of_yes(
            catalogue, evaluate_all(catalogue, drawn), evaluate_guards(catalogue, drawn)
        )
        assert least <= chance[0, column] <= most
    at_edge = curves(channel, knots(edge))
    chance = Coach.careful(catalogue).chance_of_yes(
        catalogue, evaluate_all(catalogue, at_edge), evaluate_guards(catalogue, at_edge)
    )
    assert chance[0, column] == pytest.approx(0.5, abs=0.03)


@pytest.mark.parametrize("last", [False, True])
@pytest.mark.parametrize(
    ("fault_id", "first_phase", "last_phase", "worst"),
    [
        ("flexed_takeaway", 0.2, 0.6, 30.0),
        ("overset", 0.8, 1.5, -60.0),
        ("recupping", 1.0, 1.5, -60.0),
    ],
)
def test_a_span_includes_both_its_ends(
    fault_id: str, first_phase: float, last_phase: float, worst: float, last: bool, catalogue: Catalogue
) -> None:
    """The worst value lies on the very end of the span; a drop's first end is what it is counted from."""
    phase = last_phase if last else first_phase
    drawn = curves(BY_HAND[fault_id].channel, [(phase - 0.02, 0), (phase, worst), (phase + 0.02, 0)])
    drop = fault_id == "recupping"
    read = evaluate(catalogue[fault_id].measure, drawn)[0]
    assert read == pytest.approx((-worst if last else 0) if drop else worst)


def test_the_guard_of_recupping_looks_as_far_as_its_measure(catalogue: Catalogue) -> None:
    drawn = curves(FLEXION, [(0, 0), (1, 30), (1.48, 30), (1.5, -10), (1.52, -80), (2, 0)])
    assert evaluate_guards(catalogue, drawn)[0, 0] == pytest.approx(-10)


def test_recupping_needs_a_wrist_that_ends_up_extended(catalogue: Catalogue) -> None:
    """A bow that is lost, but not past the setup's angle, is not re-cupping, however much is lost."""
    column = catalogue.ids.index("recupping")
    for lowest, present in ((1.0, False), (-1.0, True)):
        drawn = curves(FLEXION, [(0, 0), (1, 40), (1.4, lowest), (2, 10)])
        assert evaluate_all(catalogue, drawn)[0, column] == pytest.approx(40 - lowest)
        assert evaluate_guards(catalogue, drawn)[0, 0] == pytest.approx(lowest)
        chance = Coach.careful(catalogue).chance_of_yes(
            catalogue, evaluate_all(catalogue, drawn), evaluate_guards(catalogue, drawn)
        )
        assert (chance[0, column] > 0.99) == present
        assert present or chance[0, column] == 0


@pytest.mark.parametrize(("unhinged_deg", "assessed"), [(14.9, False), (15.1, True)])
def test_a_release_of_under_fifteen_degrees_is_none(
    unhinged_deg: float, assessed: bool, catalogue: Catalogue
) -> None:
    drawn = curves(ULNAR, [(0, 0), (0.8, -20), (1.5, -20), (2, unhinged_deg - 20)])
    read = evaluate(catalogue["early_ulnar_release"].measure, drawn)
    assert np.isfinite(read[0]) == assessed


def test_a_release_that_wavers_counts_from_where_it_goes_for_good(catalogue: Catalogue) -> None:
    drawn = curves(ULNAR, [(0, 0), (1, -30), (1.1, -10), (1.2, -30), (1.6, -30), (2, 10)])
    assert evaluate(catalogue["early_ulnar_release"].measure, drawn)[0] == pytest.approx(0.7, abs=1e-6)


def test_a_curve_that_ends_before_a_reading_gives_none(catalogue: Catalogue) -> None:
    drawn = np.zeros((1, 3, len(PHASE_GRID)))
    drawn[0, :, IMPACT_INDEX + 5 :] = np.nan
    read = dict(zip(catalogue.ids, evaluate_all(catalogue, drawn)[0], strict=True))
    assert np.isnan(read["hold_off"])
    assert {name for name, value in read.items() if np.isnan(value)} == {"hold_off", "early_ulnar_release"}
    drawn[0, PRONATION] = np.nan
    read = dict(zip(catalogue.ids, evaluate_all(catalogue, drawn)[0], strict=True))
    lost = {name for name, value in read.items() if np.isnan(value)}
    assert lost == {fault.id for fault in catalogue.faults if fault.needs_pronation} | {"early_ulnar_release"}


def test_swings_are_measured_each_on_their_own(catalogue: Catalogue) -> None:
    drawn = np.cumsum(np.random.default_rng(1).normal(0, 2, (40, 3, len(PHASE_GRID))), axis=2)
    together = evaluate_all(catalogue, drawn)
    assert together.shape == (40, 17)
    alone = np.concatenate([evaluate_all(catalogue, drawn[[row]]) for row in range(40)])
    np.testing.assert_array_equal(together, alone)


@pytest.mark.parametrize(
    ("peak", "impact", "saved"),
    [(24.0, 0.0, False), (26.0, 0.0, True), (26.0, 12.5, False), (40.0, 21.0, False), (40.0, 19.0, True)],
)
def test_a_late_save_gives_back_fifteen_degrees_and_half_of_a_strong_bow(
    peak: float, impact: float, saved: bool, catalogue: Catalogue
) -> None:
    """faults.md: past +25, and at least 15 degrees and half of it given back by impact."""
    drawn = curves(
        FLEXION, [(0, 0), (0.58, DECOY), (0.6, 0), (1.1, peak), (1.3, 0), (1.31, DECOY), (2, impact)]
    )
    found, highest, given_back = late_save(catalogue, drawn)
    assert (bool(found[0]), highest[0], given_back[0]) == pytest.approx((saved, peak, peak - impact))


def test_phases_are_fractions_of_each_swings_own_durations() -> None:
    landmarks_s = np.array([[10.0, 11.0, 11.25, 12.0], [0.2, 1.0, 1.5, 1.9]])
    phases = np.array([0.0, 0.5, 1.0, 1.4, 2.0, 2.3])
    expected = [[10, 10.5, 11, 11.1, 11.25, 11.325], [0.2, 0.6, 1.0, 1.2, 1.5, 1.65]]
    np.testing.assert_allclose(phase_times(landmarks_s, phases), expected)


def test_phase_times_rise_and_meet_the_landmarks() -> None:
    landmarks_s = np.array([[3.0, 3.9, 4.15, 5.0]])
    times = phase_times(landmarks_s)[0]
    assert (np.diff(times) > 0).all()
    assert (times[0], times[TOP_INDEX], times[IMPACT_INDEX]) == pytest.approx((3.0, 3.9, 4.15))


def test_every_position_of_the_catalogue_lies_on_the_grid(catalogue: Catalogue) -> None:
    readings = [fault.measure for fault in catalogue.faults]
    readings += [fault.guard for fault in catalogue.faults if fault.guard]
    for reading in [*readings, catalogue.late_save.peak]:
        for position in reading.span:
            assert PHASE_GRID[grid_index(position)] == pytest.approx(coordinate(position), abs=1e-9)


@pytest.mark.parametrize(
    ("text", "phase"), [("b0.2", 0.2), ("b1.0", 1.0), ("d0.35", 1.35), ("f0.30", 2.3), ("b-0.1", -0.1)]
)
def test_positions_are_read(text: str, phase: float) -> None:
    assert coordinate(parse_position(text)) == pytest.approx(phase)
    assert isinstance(parse_position(text), Position)


@pytest.mark.parametrize("text", ["", "0.5", "c0.5", "b", "b0.5s", "B0.5", "b.5"])
def test_what_is_no_position_is_refused(text: str) -> None:
    with pytest.raises(CatalogueError, match="bad-position"):
        parse_position(text)
