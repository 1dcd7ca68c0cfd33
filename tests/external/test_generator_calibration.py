"""What the generator is tuned to, beside the published figures. **Calibration, no evidence**: it only shows that the
generator still draws what it says it draws.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from faultml.faults.catalogue import Catalogue
from faultml.synthetic.golfers import Golfers
from faultml.synthetic.realised import TrueSwings, realised
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import draw_season, roster_golfers

Array = NDArray[np.float64]
RECIPE = Recipe(golfers=90, sessions=1, swings=8, seed=11, non_swing_share=0.0)

WIDEST_DEG = {
    "flexion": max(80, 76) + 3 * 6.6,
    "extension": max(70, 75) + 3 * 6.6,
    "radial": max(20, 22) + 3 * 4.0,
    "ulnar": max(30, 36) + 3 * 3.8,
    "pronation": max(80, 76) + 3 * 5.8,
    "supination": max(80, 82) + 3 * 4.0,
}
"""The larger mean of the handbook of the American Academy of Orthopaedic Surgeons and of Boone & Azen 1979 (J Bone
Joint Surg 61A:756), and 3 SD of the latter (the SDs from memory)."""


@pytest.fixture(scope="module")
def golfers(catalogue: Catalogue) -> Golfers:
    return roster_golfers(catalogue, RECIPE)


@pytest.fixture(scope="module")
def swings(catalogue: Catalogue) -> TrueSwings:
    season = draw_season(catalogue, RECIPE)
    return TrueSwings(season.truth, season.phase_deg)


@pytest.fixture(scope="module")
def figures(swings: TrueSwings, golfers: Golfers) -> dict[str, Array]:
    return realised(swings, golfers)


@pytest.mark.parametrize("direction", WIDEST_DEG)
def test_swings_stay_within_what_wrists_reach(
    direction: str, catalogue: Catalogue, swings: TrueSwings, golfers: Golfers, figures: dict[str, Array]
) -> None:
    """facts.md, check 7. Golfers given too much hinge or a raised wrist are given a looser joint, and are left out."""
    loose = np.isfinite(
        golfers.fault_size[:, [catalogue.ids.index("overset"), catalogue.ids.index("raised_wrist_impact")]]
    )
    ordinary = set(golfers.table["player"][~loose.any(axis=1)])
    kept = swings.table["player"].isin(ordinary).to_numpy()
    reached = figures[f"reached_{direction}"][kept]
    assert kept.sum() > 400
    assert (reached <= WIDEST_DEG[direction]).mean() >= 0.985
    assert reached.max() <= WIDEST_DEG[direction] + 6, "a golfer's own joint, and a soft end"


def test_tempo_is_that_of_labelled_swings(figures: dict[str, Array]) -> None:
    """GolfDB labels (McNally 2019), 758 real-time swings: median 3.43, quartiles 3.00-4.13; SD between players 0.79."""
    assert np.median(figures["tempo"]) == pytest.approx(3.43, abs=0.35)
    low, high = np.quantile(figures["tempo"], [0.25, 0.75])
    assert low == pytest.approx(3.00, abs=0.45) and high == pytest.approx(4.13, abs=0.45)
    assert figures["tempo_between"][0] == pytest.approx(0.79, abs=0.25)
    assert 0.1 < figures["tempo_within"][0] < 0.6, "0.41 within players"


def test_downswings_take_about_as_long_as_professionals(figures: dict[str, Array]) -> None:
    """About 0.27 s: Grober & Cholewicki."""
    assert np.median(figures["downswing"]) == pytest.approx(0.27, abs=0.03)


def test_the_wrist_is_no_faster_than_professionals(figures: dict[str, Array]) -> None:
    """Peak rate of the lead wrist 1085 +- 338 deg/s: Zheng 2008, Int J Sports Med 29:487-493; ulnar deviation alone is
    slower."""
    assert 350 < figures["release_rate"].mean() < 1085 + 338


def test_flexion_and_unhinging_go_together_in_most_releases(figures: dict[str, Array]) -> None:
    """Linear, R2 0.70-0.99 in hammering and clubbing (J Hand Surg Am 2014, 39:634); drawn wider on purpose."""
    assert np.median(figures["coupling_r2"]) > 0.6
    assert (figures["coupling"] < 0).mean() > 0.1, "negative slopes are there too"
