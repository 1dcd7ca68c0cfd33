"""What is refused is counted as a user's recordings would be: read, checked, and then asked of the swing filter."""

from __future__ import annotations

import pytest
from scipy.stats import binomtest

from faultml.classifier.assess import Assessor
from faultml.pipelines.benchmarks.compare.refusals import add, refused
from faultml.pipelines.training.comparison import GROUPS, _interval, refusal_section
from faultml.synthetic.other_activities import HELD_OUT, LEARNED


@pytest.fixture(scope="module")
def counts(assessor: Assessor) -> dict[str, dict[str, list[int]]]:
    return refused(assessor, seed=3, golfers=8)


def share(kinds: dict[str, list[int]]) -> float:
    return sum(no for _, no in kinds.values()) / sum(n for n, _ in kinds.values())


def test_full_swings_pass_and_the_rest_does_not(counts: dict[str, dict[str, list[int]]]) -> None:
    assert set(counts) == set(GROUPS) and set(counts["full"]) == {"full"}
    assert share(counts["full"]) <= 0.05
    assert min(share(counts[group]) for group in GROUPS if group != "full") >= 0.9
    dead, refused_dead = counts["non_swings"]["dead_channel"]
    assert dead == refused_dead > 0, "by the checks on reading"
    assert sum(n for group in ("full", "non_swings") for n, _ in counts[group].values()) == 8 * 20


def test_kinds_that_training_has_not_seen_are_kept_apart(counts: dict[str, dict[str, list[int]]]) -> None:
    assert set(counts["other_activities_learned"]) == set(LEARNED) and set(
        counts["other_activities_held_out"]
    ) == set(HELD_OUT)


def test_two_seeds_add_up_and_the_page_says_so() -> None:
    one = {
        "full": {"full": [10, 1]},
        "non_swings": {"putt": [4, 4]},
        "other_activities_learned": {},
        "other_activities_held_out": {},
    }
    both = add(add({}, one), one | {"non_swings": {"walk": [2, 1]}})
    assert both["full"] == {"full": [20, 2]} and both["non_swings"] == {"putt": [4, 4], "walk": [2, 1]}
    page = refusal_section(both)
    assert "| full swings | 20 | 10.0%" in page
    assert "| 6 | 83.3%" in page and "putt 100.0%, walk 50.0%" in page and "synthetic" in page


@pytest.mark.parametrize(("number", "count"), [(0, 30), (3, 40), (40, 40)])
def test_the_interval_is_clopper_and_pearsons(number: int, count: int) -> None:
    """External check: scipy.stats.binomtest."""
    wanted = binomtest(number, count).proportion_ci(0.95, "exact")
    assert _interval(number, count) == pytest.approx((wanted.low, wanted.high))
