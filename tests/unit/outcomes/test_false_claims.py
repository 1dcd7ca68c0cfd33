"""How often a claim is false, on groups that the simulation of `faultml.pipelines.benchmarks.outcome_power` draws.

Bounds are exact binomial ones at 99.9 %, with the players as units: those of one group share little but the trend.
"""

from __future__ import annotations

from dataclasses import replace

import msgspec
import numpy as np
import pandas as pd
import pytest
from scipy import stats

from faultml.faults.catalogue import load_catalogue
from faultml.outcomes.rules import OutcomeRules, load_outcome_rules
from faultml.pipelines.benchmarks.outcome_power import FAULT, PLAIN, Scenario, draw_group, judged

CATALOGUE = load_catalogue()
RULES = load_outcome_rules()
ALIKE = replace(PLAIN, correlation=0.8, session_sd_deg=5.0, before=6, after=6)
"""Sessions that follow each other are far more alike than the issue asks for: 40 groups show what 300 would."""


def outcomes(scenario: Scenario, groups: int, seed: int, rules: OutcomeRules | None = None) -> pd.DataFrame:
    return pd.concat(judged(scenario, groups, seed, CATALOGUE, rules))


def false_claims(table: pd.DataFrame) -> int:
    return int((table["verdict"] == "held").sum())


def missed(table: pd.DataFrame) -> int:
    """Intervals that leave out a change of zero."""
    return int(((table["change_lo"] > 0) | (table["change_hi"] < 0)).sum())


def test_correlated_sessions_do_not_pass_for_an_effect_and_would_if_taken_as_independent() -> None:
    table = outcomes(ALIKE, 40, 5)
    limits = stats.binom.ppf(0.999, len(table), [0.05, 0.10])
    assert false_claims(table) <= limits[0]
    assert missed(table) <= limits[1]
    group = msgspec.structs.replace(RULES.group, correlation=RULES.group.correlation[:1])
    assert group.correlation[0].value == 0
    independent = outcomes(ALIKE, 40, 5, msgspec.structs.replace(RULES, group=group))
    assert false_claims(independent) > limits[0]
    assert missed(independent) > limits[1]
    wider = (table["change_hi"] - table["change_lo"]) / (independent["change_hi"] - independent["change_lo"])
    assert 1 < wider.mean() < 1.3


def test_independent_sessions_give_few_false_claims_and_large_effects_are_found() -> None:
    nothing = outcomes(PLAIN, 25, 6)
    assert false_claims(nothing) <= stats.binom.ppf(0.999, len(nothing), 0.05)
    large = outcomes(replace(PLAIN, effect_deg=12.0), 10, 7)
    assert false_claims(large) >= stats.binom.ppf(0.001, len(large), 0.95)


@pytest.mark.parametrize("effect", [0.0, 12.0])
def test_where_everybody_has_the_drill_nothing_is_claimed(effect: float) -> None:
    everybody = replace(PLAIN, drilled=PLAIN.players, drift_sd_deg=4.0, effect_deg=effect)
    assert set(outcomes(everybody, 5, 8)["verdict"]) == {"no-controls"}
    enough = replace(everybody, drilled=PLAIN.players - RULES.claim.min_controls)
    assert "no-controls" not in set(outcomes(enough, 2, 8)["verdict"])


def test_the_simulation_draws_what_it_says() -> None:
    fault, random = CATALOGUE[FAULT], np.random.default_rng(9)
    wide = Scenario(
        "", players=4000, before=2, after=2, correlation=0.6, between_sd_deg=0.01, swing_sd_deg=0.01
    )
    measure, _ = draw_group(wide, random, fault)
    means = measure.mean(axis=2)
    assert means.std(axis=0) == pytest.approx([3.0] * 4, abs=0.15)
    lags = np.corrcoef(means.T)[0]
    assert lags == pytest.approx([1.0, 0.6, 0.36, 0.216], abs=0.05)
    drifting = Scenario("", players=4000, before=3, after=3, drift_sd_deg=4.0, session_sd_deg=0.01, drilled=0)
    steps = [
        np.diff(draw_group(drifting, random, fault)[0].mean(axis=(0, 2)).reshape(2, 3).mean(axis=1))[0]
        for _ in range(60)
    ]
    assert np.std(steps) == pytest.approx(4.0, abs=1.0)
