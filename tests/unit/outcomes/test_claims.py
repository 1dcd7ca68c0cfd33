"""The smallest change worth claiming, and the verdict, by hand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from faultml.outcomes.claims import Counts, smallest_change, verdicts
from faultml.outcomes.rules import load_outcome_rules
from faultml.outcomes.words import CLAIMED, POWER

RULES = load_outcome_rules().claim


def verdict(
    change: float,
    low: float,
    high: float,
    controls: int = 5,
    smallest: float = 5.0,
    before_swings: int = 20,
    after_swings: int = 20,
) -> str:
    row = {
        "before_swings": before_swings,
        "after_swings": after_swings,
        "change": change,
        "change_lo": low,
        "change_hi": high,
        "smallest": smallest,
    }
    return str(verdicts(pd.DataFrame([row]), np.array([controls]), RULES)[0])


@pytest.mark.parametrize(
    ("change", "low", "high", "expected"),
    [
        pytest.param(-8.0, -11.0, -5.0, "held", id="better, and sure of it"),
        pytest.param(-8.0, -17.0, 1.0, "no-change", id="better by the point estimate alone"),
        pytest.param(-4.9, -6.0, -3.8, "no-change", id="surely better, by too little"),
        pytest.param(8.0, 5.0, 11.0, "worse", id="worse, and sure of it"),
        pytest.param(8.0, -1.0, 17.0, "no-change", id="worse by the point estimate alone"),
        pytest.param(4.9, 3.8, 6.0, "no-change", id="surely worse, by too little"),
        pytest.param(0.0, -1.0, 1.0, "no-change", id="nothing"),
    ],
)
def test_a_claim_needs_its_interval_and_its_size(
    change: float, low: float, high: float, expected: str
) -> None:
    assert verdict(change, low, high) == expected


@pytest.mark.parametrize("change", [-8.0, 0.0, 8.0])
def test_nothing_is_decided_without_players_to_compare_with(change: float) -> None:
    interval = (change - 3, change + 3)
    assert verdict(change, *interval, controls=RULES.min_controls - 1) == "no-controls"
    assert verdict(change, *interval, controls=RULES.min_controls) != "no-controls"


def test_missing_swings_come_before_missing_controls() -> None:
    assert verdict(-8.0, -11.0, -5.0, controls=0, after_swings=0) == "not-yet"
    assert verdict(-8.0, -11.0, -5.0, controls=0, after_swings=RULES.min_swings - 1) == "too-few"
    assert verdict(-8.0, -11.0, -5.0, controls=0, before_swings=RULES.min_swings - 1) == "too-few"


def counts(*swings: int) -> Counts:
    """One assignment's sessions."""
    n = np.array(swings, dtype=float)
    return Counts(
        pd.DataFrame({"n_measured": [n.sum()]}), np.array([float(len(n))]), np.array([(1 / n).sum()])
    )


def test_the_error_of_a_mean_over_sessions_by_hand() -> None:
    """Sessions of 4 and 20 swings: (9 + 16 / 4 + 9 + 16 / 20) / 2 ** 2."""
    assert counts(4, 20).error(9.0, np.array([16.0]))[0] == pytest.approx((9 + 4 + 9 + 0.8) / 4)


def test_the_smallest_change_by_hand() -> None:
    """Session SD 6 and swing SD 8 are above those of the goniometer, whose halves count where a group is calmer."""
    spread = smallest_change(counts(4, 20), counts(10), 6.0, np.array([8.0]), RULES)
    error = (36 + 64 / 4 + 36 + 64 / 20) / 4 + 36 + 64 / 10
    assert spread[0] == pytest.approx(1.959964 * np.sqrt(error), rel=1e-6)
    half = (9.5 / 1.959964) ** 2 / 4
    calm = smallest_change(counts(1), counts(1), 0.1, np.array([0.1]), RULES)
    assert calm[0] == pytest.approx(1.959964 * np.sqrt(4 * half), rel=1e-6) == pytest.approx(9.5, rel=1e-6)
    assert (
        smallest_change(counts(*[50] * 40), counts(*[50] * 40), 0.1, np.array([0.1]), RULES)[0]
        == RULES.min_deg
    )


def test_the_power_of_a_claim_is_the_same_in_words_numbers_and_documentation() -> None:
    page = (Path(__file__).parents[3] / "docs" / "outcomes.md").read_text(encoding="utf-8")
    assert "| true effect (degrees) | " + " | ".join(map(str, CLAIMED[3])) in page
    for session_sd, row in CLAIMED.items():
        percent = " | ".join(f"{share:.0%}".replace("%", " %") for share in row.values())
        assert f"| claimed at session SD {session_sd} | {percent} |" in page
    assert (
        "a true gain of 4, 8 or 12 degrees is claimed in 27, 79 or 99 % of players (14, 44 or 77 %" in POWER
    )
