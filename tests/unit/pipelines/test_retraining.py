"""What retraining makes of unsure answers and of coaches whom no edge explains, and the report of it."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple
from xml.etree import ElementTree

import msgspec
import numpy as np
import pandas as pd
import pytest
from coach_fakes import CATALOGUE, SOFT, drawn_suite, edge_classifier
from scipy.optimize import approx_fprime, minimize

from faultml.classifier.assess import Assessor
from faultml.classifier.bundle import Bundle, load_bundle
from faultml.classifier.coach_adaptation import ADAPTATION_FILE, load_adaptation, with_adaptation
from faultml.errors import BundleError
from faultml.labels import Verdict, add
from faultml.pipelines.benchmarks.coach_suite import Simulated, Suite, draw_suite, labelled_by
from faultml.pipelines.benchmarks.learning_curves import learning_curves
from faultml.pipelines.benchmarks.learning_page import FIGURE_FILE, PAGE_FILE, table, write_page
from faultml.pipelines.retraining.adapt import gather, learn
from faultml.pipelines.retraining.coherence import ALIKE, DRIFTS, TWO, coherence
from faultml.pipelines.retraining.covariates import MIN_ANSWERS, _Fit, _too_sure, learn_covariate_adaptation
from faultml.pipelines.retraining.cross_validation import held_out_chances, promotion_test
from faultml.pipelines.retraining.labelled import (
    UNSURE,
    Adaptation,
    Labelled,
    chance,
    default_adaptation,
    log_losses,
    saved_adaptation,
)
from faultml.pipelines.retraining.retrain import Learned, labelled_swings, labels_digest, retrain
from faultml.recordings.write import write_season
from faultml.results import read_results
from faultml.season import classify_season
from faultml.store import open_store
from faultml.synthetic.coach import Coach
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import draw_season

IDS = ["player", "session", "swing"]
MODEL = edge_classifier()
FLIP, OTHER = CATALOGUE.ids.index("flip"), CATALOGUE.ids.index("early_set")
MOVED = 1.5 * SOFT * np.where(np.arange(len(SOFT)) % 2, 1, -1)


@pytest.fixture(scope="module")
def suite() -> Suite:
    return drawn_suite(golfers=120, swings=6)


def said(suite: Suite, coach: Simulated, seed: int = 1) -> Labelled:
    return labelled_by(CATALOGUE, MODEL, suite, coach.answers(CATALOGUE, suite, np.random.default_rng(seed)))


def weighing(suite: Suite, weight: float = 1.2) -> Suite:
    """The suite as one sees it who lets a second measure count in judging a flip."""
    elsewhere = suite.measures.copy()
    second = MODEL.signs[OTHER] * (suite.measures[:, OTHER] - MODEL.edges[OTHER]) / SOFT[OTHER]
    elsewhere[:, FLIP] += MODEL.signs[FLIP] * weight * (second - second.mean()) * SOFT[FLIP]
    return replace(suite, elsewhere=elsewhere)


def loss(labelled: Labelled, adaptation: Adaptation, columns: slice | int = slice(None)) -> float:
    return float(np.nanmean(log_losses(labelled.answers, chance(MODEL, labelled, adaptation))[:, columns]))


def test_unsure_answers_tell_where_the_edge_lies(suite: Suite) -> None:
    coach = Simulated(Coach(MOVED, 0.02), band=0.6)
    given = said(suite, coach)
    train = given.rows(np.arange(30))
    assert (train.answers == UNSURE).sum() > 15
    used = gather(CATALOGUE, MODEL, train)
    dropped = replace(train, answers=np.where(train.answers == UNSURE, np.nan, train.answers))
    left_out = gather(CATALOGUE, MODEL, dropped)
    assert (left_out.band, left_out.abstain_rate) == (0, 0)
    assert 0.3 <= used.band <= 1.0 and used.abstain_rate < 0.05
    wrong, wrong_left_out = (
        np.abs(np.array([seen.shift for seen in each.fit.faults.values()]) - MOVED / SOFT).mean()
        for each in (used, left_out)
    )
    assert wrong < 0.9 * wrong_left_out


def test_lapse_rates_are_resolved_finely(suite: Suite) -> None:
    # A lapse rate between coarse steps went to the wrong one, and edges seemed softer than they are.
    fit = gather(CATALOGUE, MODEL, said(suite, Simulated(Coach(np.zeros(len(SOFT)), 0.13)))).fit
    assert abs(fit.lapse_rate - 0.13) < 0.012
    assert np.median([seen.ratio for seen in fit.faults.values()]) < 1.12


def test_unsure_anywhere_moves_nothing(suite: Suite) -> None:
    given = said(suite, Simulated(Coach(MOVED, 0.0))).rows(np.arange(200))
    abstained = np.random.default_rng(3).random(given.answers.shape) < 0.2
    unsure, plain = (
        gather(CATALOGUE, MODEL, given.answered_by(np.where(abstained, instead, given.answers)))
        for instead in (UNSURE, np.nan)
    )
    assert unsure.band <= 0.1 and 0.15 <= unsure.abstain_rate <= 0.25
    apart = [unsure.fit.faults[k].shift - plain.fit.faults[k].shift for k in range(len(SOFT))]
    assert np.abs(apart).max() < 0.15


def test_unsure_in_the_wrong_rows_is_found_out(suite: Suite) -> None:
    given = said(suite, Simulated(Coach(MOVED, 0.0), band=0.6)).rows(np.arange(200))
    mixed = np.random.default_rng(0).permutation(given.answers, axis=0)
    assert gather(CATALOGUE, MODEL, given.answered_by(mixed)).unrelated > 0.6
    assert gather(CATALOGUE, MODEL, given).unrelated < 0.05


def held(given: Labelled) -> str:
    return coherence(CATALOGUE, MODEL, given, gather(CATALOGUE, MODEL, given).fit).why


def test_answers_that_no_edges_explain_are_found_out(suite: Suite) -> None:
    """Two coaches by turns, by golfer or by sheet; edges that drift; one verdict for all of a golfer's swings."""
    random = np.random.default_rng(4)
    one, other = (said(suite, Simulated(Coach(side * MOVED, 0.02)), seed=side + 5) for side in (0, 2))
    order = np.argsort(random.permutation(len(one.golfers)))
    one = replace(one, order=order, sheets=order // 60)
    assert held(one) == "" and held(one.answered_by(other.answers)) == ""

    def mixed(others: np.ndarray) -> Labelled:
        return one.answered_by(np.where(others[:, None], other.answers, one.answers))

    assert held(mixed(random.random(len(order)) < 0.5)) == TWO["swing"]
    # What one swing tells of two coaches is told by a golfer's or a sheet's swings together, too, and more of it.
    alone = replace(one, golfers=order.astype(str).astype(object), sheets=np.zeros_like(order))
    for unit in ("golfers", "sheets"):
        names = np.unique(getattr(one, unit))
        by_unit = np.isin(getattr(one, unit), [name for k, name in enumerate(names) if k % 4 in (0, 3)])
        found = held(mixed(by_unit))
        assert found in (TWO["swing"], TWO[unit[:-1]])
    assert held(replace(alone, order=order)) == ""
    assert held(mixed(order > len(order) / 2)) == DRIFTS
    first = np.unique(one.golfers, return_index=True)[1][np.unique(one.golfers, return_inverse=True)[1]]
    assert held(one.answered_by(one.answers[first])) == ALIKE


def test_copied_answers_have_no_covariates(suite: Suite) -> None:
    given = said(suite, Simulated(Coach(np.zeros(len(SOFT)), 0.02)))
    tool = chance(MODEL, given, default_adaptation(CATALOGUE))
    copied = given.answered_by(np.where(np.isfinite(given.answers), (tool > 0.5) * 1.0, np.nan))
    found = learn_covariate_adaptation(CATALOGUE, MODEL, copied)
    assert not found.adaptation.moved.any() and not found.ridges.any()
    assert _too_sure(copied, tool) and not _too_sure(given, tool)


def test_a_coach_who_weighs_two_measures_is_learned(suite: Suite) -> None:
    seen = weighing(suite)
    coach = Simulated(Coach(np.zeros(len(SOFT)), 0.0), elsewhere=True)
    given = said(seen, coach)
    train, test = given.rows(np.arange(500)), given.rows(np.arange(500, len(given.golfers)))
    learned = learn_covariate_adaptation(CATALOGUE, MODEL, train)
    adaptation = learned.adaptation
    assert adaptation.covariates is not None
    assert adaptation.rungs[FLIP] == "residual" and adaptation.moved.sum() == 1
    coefficients = adaptation.covariates.coefficients
    assert np.flatnonzero(coefficients.any(axis=1)).tolist() == [FLIP], "no other fault has covariates"
    assert np.abs(coefficients[FLIP]).argmax() == OTHER
    assert coefficients[FLIP, OTHER] < 0, "the more of the other, the sooner it is a flip"
    assert loss(test, adaptation, FLIP) < 0.9 * loss(test, default_adaptation(CATALOGUE), FLIP)
    plain, own = held_out_chances(CATALOGUE, MODEL, train, learned)
    assert promotion_test(CATALOGUE, train, plain, own).passed
    others = np.arange(len(SOFT)) != FLIP
    np.testing.assert_allclose(plain[:, others], own[:, others], atol=1e-5)


def test_few_answers_have_no_covariates(suite: Suite) -> None:
    given = said(weighing(suite), Simulated(Coach(MOVED, 0.0), elsewhere=True))
    few = given.rows(np.arange(MIN_ANSWERS - 1))
    assert learn_covariate_adaptation(CATALOGUE, MODEL, few).adaptation.covariates is None


def test_coefficients_are_the_likeliest(suite: Suite) -> None:
    """External check: scipy's own minimiser and finite differences, on the same penalised likelihood."""
    given = said(weighing(suite), Simulated(Coach(MOVED, 0.05), elsewhere=True))
    adaptation = learn(CATALOGUE, MODEL, given).adaptation
    inputs = np.clip(np.nan_to_num((given.past - given.past.mean(0)) / given.past.std(0)), -3, 3)
    fit = _Fit(CATALOGUE, MODEL, given, adaptation, inputs, FLIP, given.known[:, FLIP])
    penalty = np.r_[1.0, np.full(len(SOFT) - 1, 1 / 0.4**2)]

    def penalised(coefficients: np.ndarray) -> float:
        return float(-fit.weight @ np.log(fit.likelihood(coefficients)[0]) + 0.5 * penalty @ coefficients**2)

    found = fit.solve(0.4)
    assert np.abs(found - minimize(penalised, np.zeros(len(SOFT)), method="BFGS").x).max() < 2e-3
    reported, by_edge = fit.likelihood(found)
    slope = -(fit.weight * by_edge / reported) @ fit.inputs + penalty * found
    assert np.abs(slope - approx_fprime(found, penalised, 1e-6)).max() < 1e-3


class Season(NamedTuple):
    """A season, its results, and the verdicts of one coach."""

    folder: Path
    learned: Learned
    bundle: Bundle


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Season:
    folder = tmp_path_factory.mktemp("judged")
    drawn = draw_season(
        CATALOGUE, Recipe(golfers=9, sessions=1, swings=6, seed=31, non_swing_share=0.0, clean_share=0.0)
    )
    write_season(drawn.batch, folder / "season.parquet")
    classify_season([folder / "season.parquet"], folder / "results")
    truth = drawn.truth[[f"measure_{fault}" for fault in CATALOGUE.ids]].to_numpy(float)
    past = CATALOGUE.signs * (truth - MODEL.edges) / SOFT + 1.0
    said = np.where(np.abs(past) < 0.5, "unsure", np.where(past > 0, "yes", "no"))
    verdicts = [
        Verdict(*swing, fault, said[row, column], "ann", when="2026-05-01")
        for row, swing in enumerate(drawn.batch.table[IDS].itertuples(index=False))
        for column, fault in enumerate(CATALOGUE.ids)
        if np.isfinite(past[row, column]) and fault != "overset"
    ]
    bundle = load_bundle()
    with open_store(folder / "store.sqlite") as store:
        add(store, [*verdicts, Verdict("nobody", "2031-01-01", "1", "flip", "yes", "ann", when="2026-05-01")])
        learned = retrain(store, "ann", [read_results(folder / "results")], bundle, CATALOGUE, folder / "ann")
    return Season(folder, learned, bundle)


def test_unsure_answers_are_used_and_reported(season: Season) -> None:
    answers = season.learned.labelled.answers
    assert (answers == UNSURE).sum() > 10
    reported = "\n".join(season.learned.lines)
    assert f"{(answers == UNSURE).sum()} answers unsure: taken for swings within about" in reported
    assert "left out: on swings not in the results, not assessed, or on faults no longer known" in reported
    adaptation, _ = load_adaptation(season.folder / "ann")
    assert adaptation.band > 0 and adaptation.covariate_scales == {}
    assert not adaptation.adopted and "50 labelled swings of 20 golfers are needed" in adaptation.why


def test_measures_of_faults_nobody_was_asked_about_are_there(season: Season) -> None:
    labelled = season.learned.labelled
    column = CATALOGUE.ids.index("overset")
    assert np.isnan(labelled.answers[:, column]).all() and np.isfinite(labelled.past[:, column]).mean() > 0.9


@pytest.fixture
def with_covariates(season: Season, tmp_path: Path) -> Path:
    """A copy of the kept adaptation, with covariates."""
    folder = Path(shutil.copytree(season.folder / "ann", tmp_path / "ann"))
    adaptation, _ = load_adaptation(folder)
    faults = dict(adaptation.faults)
    faults["flip"] = msgspec.structs.replace(
        faults["flip"], rung="residual", coefficients={"early_set": -3.0, "flexed_top": 1.0}
    )
    middle = {fault: (-10 * soft, 5 * soft) for fault, soft in zip(CATALOGUE.ids, SOFT.tolist(), strict=True)}
    changed = msgspec.structs.replace(adaptation, adopted=True, faults=faults, covariate_scales=middle)
    (folder / ADAPTATION_FILE).write_bytes(msgspec.json.encode(changed))
    return folder


def test_classify_gives_what_retraining_was_judged_by(season: Season, with_covariates: Path) -> None:
    adaptation, catalogue = load_adaptation(with_covariates)
    bundle = with_adaptation(season.bundle, adaptation)
    assert bundle.classifier.covariates is not None
    assessor = Assessor(bundle, catalogue)
    classify_season([season.folder / "season.parquet"], season.folder / "own", assessor=assessor)
    faults = read_results(season.folder / "own").faults
    faults = faults[faults["status"] == "assessed"].set_index([*IDS, "fault"])["probability"]
    plain = read_results(season.folder / "results").faults
    rows = plain[plain["status"] == "assessed"].assign(verdict=None, place=0, when="", occasion="")
    labelled = labelled_swings(rows, season.bundle, CATALOGUE)
    reported = chance(season.bundle.classifier, labelled, saved_adaptation(adaptation, CATALOGUE))
    straight = chance(
        season.bundle.classifier, labelled, replace(saved_adaptation(adaptation, CATALOGUE), covariates=None)
    )
    swings = pd.MultiIndex.from_frame(rows[IDS]).unique()
    assessed = np.isfinite(labelled.past).all(axis=1)  # else the model has a guess of its own
    assert assessed.mean() > 0.5
    given = np.array([faults[(*swing, "flip")] for swing in swings[assessed]])
    np.testing.assert_allclose(given, reported[assessed, FLIP], atol=2e-4)
    assert np.abs(reported - straight)[assessed, FLIP].max() > 0.1


@pytest.mark.parametrize(
    "change",
    [
        {"covariate_scales": {"flip": (0.0, 0.0)}},
        {"covariate_scales": {}},
        {"covariate_scales": {"flip": (0.0, 1.0), "elsewhere": (0.0, 1.0)}},
    ],
)
def test_an_adaptation_with_unsound_covariates_is_refused(
    with_covariates: Path, change: dict[str, object]
) -> None:
    content = msgspec.json.decode((with_covariates / ADAPTATION_FILE).read_bytes())
    (with_covariates / ADAPTATION_FILE).write_bytes(msgspec.json.encode(content | change))
    with pytest.raises(BundleError, match="bad-coach"):
        load_adaptation(with_covariates)


def test_the_digest_is_of_verdicts_alone() -> None:
    rows = pd.DataFrame(
        [("p", "s", "1", "flip", "yes"), ("p", "s", "1", "underset", None)],
        columns=[*IDS, "fault", "verdict"],
    )
    assert labels_digest(rows) == labels_digest(rows.iloc[:1]) == labels_digest(rows.iloc[::-1])
    assert labels_digest(rows) != labels_digest(rows.assign(verdict="no"))


def test_curves_and_their_page(tmp_path: Path) -> None:
    bundle = load_bundle()
    suite = draw_suite(CATALOGUE, bundle, golfers=4, swings=2, seed=1)
    moved = (suite.elsewhere != suite.measures) & np.isfinite(suite.measures)
    assert set(np.flatnonzero(moved.any(axis=0))) == {FLIP, CATALOGUE.ids.index("flexed_top")}
    points = learning_curves(CATALOGUE, bundle.classifier, suite, counts=(0, 3), draws=1)
    assert len(table(points)) == 1 + len(points) == 11
    write_page(tmp_path, points, bundle.manifest, {"golfers": 4, "draws": 1, "swings": 2, "seed": 1})
    page = (tmp_path / PAGE_FILE).read_text()
    assert FIGURE_FILE in page and "\n| careless | 3 |" in page and "synthetic" in page
    rows = [line for line in page.splitlines() if line.startswith("|")]
    assert {line.count("|") for line in rows} == {9, 7, 4 + 5}, "every row has the columns of its header"
    figure = ElementTree.fromstring((tmp_path / FIGURE_FILE).read_text())
    reported = [element.text for element in figure.iter() if element.tag.endswith("text")]
    assert {"moved", "careless", "looks elsewhere"} <= set(reported)
