"""Statistical promises, tested as statistics: intervals cover what was drawn, and chance is not taken for a drill.

The true figures behind the seasons are drawn here, partly other than the priors of `outcomes.toml`.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from outcome_fakes import DRILL, FAULT, FakeGroup, fake_group

from faultml.faults.catalogue import load_catalogue
from faultml.outcomes.change import CHANGE_COLUMNS, changes
from faultml.outcomes.effects import drill_effects
from faultml.outcomes.rules import load_outcome_rules
from faultml.pipelines.benchmarks.outcome_power import measure_changes

CATALOGUE = load_catalogue()
STRENGTHS = {DRILL: {FAULT: 0.5}}


def joined(groups: list[FakeGroup]) -> tuple[pd.DataFrame, np.ndarray, np.ndarray]:
    """Changes reported, true ones and naive ones, over all groups."""
    table = pd.concat([changes(group.sums, group.assigned, CATALOGUE) for group in groups])
    return table, *(
        np.concatenate([getattr(group, name) for group in groups]) for name in ("true_change", "naive")
    )


@pytest.mark.parametrize(
    "group",
    [
        pytest.param({}, id="as the priors say"),
        pytest.param({"session_sd": 4.0, "between_sd": 6.0, "trend_sd": 1.5}, id="restless, and a trend"),
        pytest.param({"session_sd": 1.8, "between_sd": 12.0, "swings": 6}, id="calm and unlike"),
    ],
)
def test_the_interval_of_a_change_covers_it(group: dict[str, float]) -> None:
    random = np.random.default_rng(11)
    table, true, _ = joined([fake_group(random, **group) for _ in range(70)])
    covered = (table["change_lo"] <= true) & (true <= table["change_hi"])
    assert len(table) == 420
    assert 0.85 <= covered.mean() <= 0.95


def test_who_was_chosen_for_looking_bad_comes_back_by_chance_and_no_drill_gets_the_credit() -> None:
    random = np.random.default_rng(12)
    group = {"effect": 0.0, "response": 0.0, "session_sd": 4.0, "between_sd": 6.0}
    table, _, naive = joined([fake_group(random, **group) for _ in range(70)])
    assert naive.mean() < -1.5
    assert abs(table["change"].mean()) < 0.5
    assert table["allowance"].mean() > 0.3
    assert (table["verdict"] == "held").mean() < 0.06


def test_the_shortcut_says_what_the_whole_says() -> None:
    group = fake_group(np.random.default_rng(13))
    whole, shortcut = (judge(group.sums, group.assigned, CATALOGUE) for judge in (changes, measure_changes))
    figures = ["change", "change_lo", "change_hi", "change_sd", "shared_sd", "smallest", "verdict"]
    pd.testing.assert_frame_equal(whole[figures], shortcut[figures])


def covered(seed: int, draws: int, effect: float | None = None, **group: float) -> tuple[int, float]:
    """How many 90 % intervals of a drill's effect cover it, and the mean error, from season to posterior."""
    random, inside, errors = np.random.default_rng([31, seed]), 0, []
    for _ in range(draws):
        true = random.normal(3.0, 5.0) if effect is None else effect
        made = fake_group(random, effect=-true, **{"response": 3.0, "trend_sd": 1.5, **group})
        table = measure_changes(made.sums, made.assigned, CATALOGUE).assign(verdict="no-change")
        reported = drill_effects(table, STRENGTHS, CATALOGUE)[DRILL, FAULT]
        inside += reported.improvement_lo_deg <= true <= reported.improvement_hi_deg
        errors.append(reported.improvement_deg - true)
    return inside, float(np.mean(errors))


def within(inside: int, draws: int, low: float = 0.85, high: float = 0.95) -> bool:
    """Whether a coverage is between these, as far as so many draws can tell (one binomial SD)."""
    share = inside / draws
    slack = np.sqrt(share * (1 - share) / draws)
    return bool(low - slack <= share <= high + slack)


def test_the_interval_of_a_drills_effect_covers_it_from_season_to_posterior() -> None:
    """Over five seeds, pooled: 85-95 % and no more doubt than 2 points of binomial error; no seed falls out."""
    draws, seeds = 90, range(5)
    reported = [covered(seed, draws) for seed in seeds]
    inside = sum(each for each, _ in reported)
    assert 0.85 <= inside / (draws * len(seeds)) <= 0.95
    assert all(within(each, draws, 0.82, 0.98) for each, _ in reported)
    assert abs(np.mean([error for _, error in reported])) < 0.5


@pytest.mark.parametrize(
    ("seed", "effect", "group", "off"),
    [
        pytest.param(1, None, {"players": 4, "chosen": 2}, 0.7, id="two players"),
        pytest.param(2, None, {"players": 40, "chosen": 20}, 0.7, id="twenty players"),
        pytest.param(3, -4.0, {"players": 8, "chosen": 4}, 1.8, id="a drill that harms"),
        pytest.param(
            4, 0.0, {"session_sd": 5.0, "between_sd": 4.0, "sessions": 4}, 1.3, id="much of it chance"
        ),
        pytest.param(5, 14.0, {"players": 8, "chosen": 4}, 1.2, id="far more than the mechanism hopes for"),
        pytest.param(6, None, {"trend_sd": 4.0}, 0.7, id="a group that drifts"),
    ],
)
def test_no_region_of_the_interval_of_a_drills_effect_is_left_out(
    seed: int, effect: float | None, group: dict[str, float], off: float
) -> None:
    """`off`: how far a small group may be drawn toward what the mechanism hopes for, degrees."""
    draws = 150
    inside, error = covered(seed, draws, effect, **group)
    assert within(inside, draws, low=0.87)
    assert abs(error) < off


@pytest.mark.parametrize(("players", "shared_sd"), [(2, 0.5), (6, 1.5), (12, 0.5)])
def test_the_interval_of_a_drills_effect_covers_it(players: int, shared_sd: float) -> None:
    rules = load_outcome_rules()
    random, covered = np.random.default_rng(14), []
    for _ in range(450):
        hoped = 0.5 * rules.effect.hoped_deg
        effect = random.normal(hoped, rules.effect.prior_sd_deg)
        response = rules.effect.response_deg * rules.effect.factor ** random.normal()
        own_sd = random.uniform(1.5, 4.0, players)
        improved = effect + random.normal(0, np.hypot(response, own_sd)) + random.normal(0, shared_sd)
        table = pd.DataFrame(
            {
                "player": [f"p{number}" for number in range(players)],
                "drill": DRILL,
                "fault": FAULT,
                "verdict": "no-change",
                "change": -improved,
                "change_sd": np.hypot(own_sd, shared_sd),
                "shared_sd": shared_sd,
            }
        )
        reported = drill_effects(table.reindex(columns=CHANGE_COLUMNS), STRENGTHS, CATALOGUE)[DRILL, FAULT]
        covered.append(reported.improvement_lo_deg <= effect <= reported.improvement_hi_deg)
    assert 0.85 <= np.mean(covered) <= 0.95


def test_practice_gain_is_distinguished_from_what_remains() -> None:
    random = np.random.default_rng(15)
    groups = [fake_group(random, effect=-8.0, response=1.0, practice_boost=6.0) for _ in range(12)]
    table, true, _ = joined(groups)
    practised = (table["practice_lo"] <= true - 6) & (true - 6 <= table["practice_hi"])
    assert practised.mean() >= 0.8  # 72 draws
    assert 0.4 < table["kept"].median() < 0.75  # 8 of 14 degrees: 0.57
