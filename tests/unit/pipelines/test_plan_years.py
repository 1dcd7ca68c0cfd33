"""The simulated years: one drill at a time, the same from the same seed, and shown in tables."""

from __future__ import annotations

import pytest

from faultml.pipelines.benchmarks import plan_years


def test_a_season_of_the_plan(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(plan_years, "WEEKS", 14)
    years = plan_years.simulate(6, seed=3)
    assert years.two_active == 0
    assert sum(years.days.values()) == 6 * 14 * 7
    assert len(years.trials) >= 6
    assert {trial.works for trial in years.trials} == {True, False}
    lines = plan_years.tables(years)
    assert any(line.startswith("| `carry on` |") for line in lines)
    again = plan_years.simulate(6, seed=3)
    assert plan_years.tables(again) == lines
