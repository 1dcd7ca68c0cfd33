"""Risk falls as the less sure answers are left out, where doubt is honest."""

from __future__ import annotations

import numpy as np

from faultml.pipelines.risk_coverage import COVERAGES, risk_by_coverage, risk_section


def test_honest_doubt_lowers_risk_with_every_answer_left_out() -> None:
    random = np.random.default_rng(0)
    chance = random.random(20_000)
    labels = (random.random(20_000) < chance).astype(float)
    labels[::50] = np.nan
    rows = risk_by_coverage(chance, labels)
    assert [row["coverage"] for row in rows] == list(COVERAGES)
    wrong = [row["wrong"] for row in rows]
    assert wrong == sorted(wrong, reverse=True) and abs(wrong[0] - 0.25) < 0.02
    text = risk_section({"everyday": {"refused": 0.01, "mean_sd_softness": 0.8, "risk": rows}})
    assert "| everyday | 1.0% | 0.80 | 2" in text and "synthetic" in text


def test_doubt_that_tells_nothing_lowers_no_risk() -> None:
    random = np.random.default_rng(1)
    chance, labels = random.random(20_000), random.integers(0, 2, 20_000).astype(float)
    wrong = [row["wrong"] for row in risk_by_coverage(chance, labels)]
    assert max(wrong) - min(wrong) < 0.02
