"""Windows measure their faults on the true motion of generated golfers (synthetic)."""

from __future__ import annotations

import pandas as pd
import pytest

from faultml.care.rules import load_care
from faultml.classifier.bundle import load_bundle
from faultml.coaching.rules import load_coaching
from faultml.coaching.window import SpreadWindow
from faultml.faults.catalogue import load_catalogue
from faultml.pipelines.benchmarks.windows import NEEDED, as_markdown, measure_windows
from faultml.synthetic.recipe import Recipe

COACHING = load_coaching(load_catalogue())
JUDGED = [drill.id for drill in COACHING.book.drills if drill.window.fault in COACHING.catalogue.ids]
ENOUGH = 25
"""Swings of a kind that a share needs to mean anything."""


@pytest.fixture(scope="module")
def figures() -> pd.DataFrame:
    recipe = Recipe(golfers=90, sessions=2, swings=8, seed=5000, non_swing_share=0.0, shuffle_faults=True)
    return measure_windows(COACHING, load_care().limits, recipe, load_bundle()).set_index("fault")


@pytest.mark.parametrize("drill", JUDGED)
def test_faulty_swings_lie_outside_and_sound_ones_inside(figures: pd.DataFrame, drill: str) -> None:
    row = figures.loc[COACHING.book[drill].window.fault]
    assert row["true_n_faulty"] >= ENOUGH and row["true_n_sound"] >= ENOUGH
    assert row["true_outside"] >= NEEDED * row["true_n_faulty"]
    assert row["true_inside"] >= NEEDED * row["true_n_sound"]


@pytest.mark.parametrize("drill", JUDGED)
def test_a_window_that_care_has_cut_still_keeps_faulty_swings_outside(
    figures: pd.DataFrame, drill: str
) -> None:
    row = figures.loc[COACHING.book[drill].window.fault]
    assert row["cut_outside"] >= NEEDED * row["cut_n_faulty"]
    assert row["cut"] + row["none"] <= row["golfers"]


def test_all_other_drills_judge_a_session_or_the_setup_and_the_table_names_every_drill(
    figures: pd.DataFrame,
) -> None:
    others = [drill for drill in COACHING.book.drills if drill.id not in JUDGED]
    for drill in others:
        assert drill.when or isinstance(drill.window, SpreadWindow)
        assert drill.trains or isinstance(drill.window, SpreadWindow)
    table = as_markdown(figures.reset_index(), COACHING)
    assert all(f"| {drill.id} |" in table for drill in COACHING.book.drills)
    assert table.count("no single swing is judged") == len(others)
