"""Coaches whose labels are spoiled move nothing that they should not: a cheap subset of the benchmark."""

from __future__ import annotations

import numpy as np
import pytest
from coach_fakes import CATALOGUE, SOFT, drawn_suite, edge_classifier

from faultml.pipelines.benchmarks.coach_suite import Suite
from faultml.pipelines.benchmarks.spoiled_coaches import SPOILED, Judged, careful, judge, two_moved
from faultml.pipelines.benchmarks.spoiled_curves import (
    Draw,
    gap_closed,
    spoiled_draw,
    spoiled_point,
)
from faultml.pipelines.retraining.labelled import UNSURE
from faultml.synthetic.coach import Coach

MODEL = edge_classifier()
SWINGS = 200


@pytest.fixture(scope="module")
def suite() -> Suite:
    return drawn_suite(golfers=110, swings=5, seed=9)


@pytest.fixture(scope="module")
def judged(suite: Suite) -> Judged:
    random = np.random.default_rng(2)
    rows = random.permutation(len(suite.golfers))[:SWINGS]
    return judge(CATALOGUE, MODEL, suite, careful(CATALOGUE, random), rows, random)


def test_every_coach_is_spoiled_as_it_says(judged: Judged) -> None:
    random = np.random.default_rng(0)
    own = judged.labelled.answers
    said = {name: spoil(judged, random) for name, spoil in SPOILED.items()}
    changed = {
        name: float(((each != own) & ~(np.isnan(each) & np.isnan(own))).mean()) for name, each in said.items()
    }
    assert len(said) == 16 and changed.pop("unspoiled") == 0 and min(changed.values()) > 0.001
    assert np.array_equal(said["inverted"], 1 - own, equal_nan=True)
    assert np.array_equal(said["rows shifted by one"][1:50], own[:49], equal_nan=True)
    assert (said["one fault inverted"] != own).any(axis=0).sum() == 1
    assert (said["two columns exchanged"] != own).any(axis=0).sum() == 2
    for golfer in np.unique(judged.labelled.golfers):
        rows = judged.labelled.golfers == golfer
        assert len(np.unique(said["one verdict a golfer"][rows], axis=0)) == 1
        assert np.array_equal(
            np.sort(said["shuffled within golfers"][rows], axis=0), np.sort(own[rows], axis=0)
        )
    assert set(np.unique(said["all yes"])) == {1.0}
    assert np.array_equal(said["copied from the tool"] == 1, judged.tool >= 0.5)
    assert ((said["70 % anchored on the tool"] == 1) == (judged.tool >= 0.5)).mean() > 0.66
    assert np.abs(judged.truth[np.isfinite(said["only obvious swings"])]).min() >= 1.5
    assert 0.55 < (said["60 % unsure"] == UNSURE).mean() < 0.65
    wrong = (said["30 % of a sheet wrong"] != own).any(axis=1)
    assert len(np.unique(judged.labelled.sheets[wrong])) == 1 and 5 < wrong.sum() < 25
    early, late = (judged.labelled.sheets == at for at in (0, 3))
    drifted = said["drifting edges"] != own
    assert drifted[late].mean() > 1.2 * drifted[early].mean()


@pytest.mark.parametrize("spoiled", [name for name in SPOILED if name != "60 % unsure"])
def test_spoiled_labels_do_no_harm(suite: Suite, spoiled: str) -> None:
    coach = careful(CATALOGUE, np.random.default_rng(0))
    found = spoiled_draw(CATALOGUE, MODEL, suite, coach, spoiled, 1, (SWINGS,))
    assert found.relative < 0.03
    assert not found.moved.any()


def test_two_edges_are_found_and_the_others_stay(suite: Suite) -> None:
    coach = two_moved(CATALOGUE, np.random.default_rng(3))
    found = spoiled_draw(CATALOGUE, MODEL, suite, coach, "unspoiled", 2, (SWINGS,))
    assert np.array_equal(found.moved[0], coach.bias != 0)
    gap = gap_closed(SWINGS, [coach], [found])
    assert gap.closed > 0.8 and gap.others == 0 and gap.moved == 1


def test_the_figures_of_draws() -> None:
    def draw(cost: float, *, moved: bool) -> Draw:
        default = np.full(len(SOFT), 0.1)
        return Draw(default * (1 + cost), default, default, np.full((2, len(SOFT)), moved))

    point = spoiled_point("x", [draw(0.0, moved=False), draw(0.02, moved=True), draw(0.01, moved=False)])
    assert point.false_adoptions == 1 and point.worst == pytest.approx(0.02)
    assert point.mean == pytest.approx(0.01)
    assert point.upper == pytest.approx(0.01 + 2.920 * 0.01 / np.sqrt(3), rel=1e-3)
    bias = np.where(np.arange(len(SOFT)) == 3, 8.0, 0.0)
    learned, default, knowing = (np.where(bias != 0, loss, 0.1) for loss in (0.2, 0.5, 0.1))
    one = Draw(learned, default, knowing, (bias != 0)[None])
    gap = gap_closed(100, [Coach(bias, 0.0)], [one])
    assert (gap.closed, gap.others, gap.moved) == (pytest.approx(0.75), 0, 1)
