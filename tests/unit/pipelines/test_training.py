"""Training in small: a bundle that loads, figures from golfers it has not seen, and arithmetic checked by hand."""

from __future__ import annotations

import json
import warnings
from pathlib import Path

import numpy as np
import pytest
from threadpoolctl import threadpool_limits

from faultml.channels import PRONATION
from faultml.classifier.assess import NOT_LEARNED, Assessor
from faultml.classifier.bundle import MANIFEST_FILE, MODEL_FILE, Manifest, load_bundle
from faultml.faults.catalogue import Catalogue
from faultml.pipelines.training import train as training
from faultml.pipelines.training import training_sets
from faultml.pipelines.training.card import CARD_FILE
from faultml.pipelines.training.data import Drawn, draw, take_windows, vary
from faultml.pipelines.training.evaluate import calibration_error, macro, seen_measures, with_marks
from faultml.pipelines.training.risk_figure import RISK_FIGURE
from faultml.pipelines.training.training_sets import BREADTHS
from faultml.quality.reference import REFERENCE_FILE
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import SyntheticSeason

TINY = training.Plan(
    seed=4,
    landmark_golfers=40,
    fault_golfers=30,
    test_golfers=3,
    promise_golfers=6,
    landmark_epochs=8,
    fault_epochs=2,
    averaged=1,
)


@pytest.fixture(scope="module")
def drawn(catalogue: Catalogue) -> Drawn:
    recipe = Recipe(golfers=4, sessions=2, swings=10, seed=21, non_swing_share=0.25)
    return draw(catalogue, recipe, jobs=1)


@pytest.fixture(scope="module")
def trained(
    catalogue: Catalogue, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, Manifest, list[set[str]]]:
    """A tiny bundle, its manifest, and the seeds of the golfers drawn for it."""
    folder = tmp_path_factory.mktemp("tiny")
    recipes: list[set[str]] = []

    def noted(catalogue: Catalogue, recipe: Recipe, *, jobs: int) -> Drawn:
        recipes.append({f"{recipe.seed}/{number}" for number in range(recipe.golfers)})
        return draw(catalogue, recipe, jobs=jobs)

    with pytest.MonkeyPatch.context() as patch, threadpool_limits(1), warnings.catch_warnings():
        warnings.simplefilter("ignore")  # so few golfers leave some figures empty
        patch.setattr(training, "draw", noted)
        patch.setattr(training_sets, "draw", noted)
        manifest = training.train(catalogue, TINY, folder)
    return folder, manifest, recipes


class TestTraining:
    def test_leaves_a_bundle_a_manifest_and_a_card(
        self, trained: tuple[Path, Manifest, list[set[str]]], catalogue: Catalogue
    ) -> None:
        folder, manifest, _ = trained
        left = {path.name for path in folder.iterdir()}
        assert left == {MODEL_FILE, MANIFEST_FILE, CARD_FILE, REFERENCE_FILE, RISK_FIGURE}
        assert load_bundle(folder).manifest == manifest
        assert manifest.faults == catalogue.ids and manifest.catalogue_sha256 == catalogue.digest
        assert manifest.code_sha256 == training.code_digest() and manifest.seed == TINY.seed
        assert manifest.recipe["fault_golfers"] == TINY.fault_golfers

    def test_says_that_its_figures_are_synthetic(
        self, trained: tuple[Path, Manifest, list[set[str]]], catalogue: Catalogue
    ) -> None:
        folder, manifest, _ = trained
        card = (folder / CARD_FILE).read_text(encoding="utf-8")
        assert "synthetic" in card and manifest.sha256 in card
        assert all(fault in card or catalogue[fault].name in card for fault in catalogue.ids)
        for name in ("contact_marked", "contact_not_marked"):
            figures = manifest.figures[name]
            assert set(figures["faults"]) == set(catalogue.ids)
            assert figures["golfers"] == TINY.test_golfers
        assert manifest.figures["contact_marked"]["landmarks_ms"]["impact"]["median"] < 1.5, "marked"

    def test_draws_other_golfers_for_each_part(self, trained: tuple[Path, Manifest, list[set[str]]]) -> None:
        drawn = trained[2]
        assert len(drawn) == len(BREADTHS) + 2
        assert sum(map(len, drawn)) == len(set().union(*drawn)), "some golfer was drawn twice"

    def test_what_was_hardly_seen_is_said_not_to_be_learned(
        self,
        trained: tuple[Path, Manifest, list[set[str]]],
        catalogue: Catalogue,
        generated: SyntheticSeason,
    ) -> None:
        bundle = load_bundle(trained[0])
        assert not bundle.classifier.learned.all(), "eight golfers do not show every fault"
        found = Assessor(bundle, catalogue).assess(generated.batch)
        unknown = ~bundle.classifier.learned
        reported = found.status[found.assessed][:, unknown]
        assert set(reported.ravel()) <= {"not_learned", "not_assessed"} and (reported == "not_learned").any()
        assert np.isnan(found.probability[:, unknown]).all()
        assert NOT_LEARNED in found.fault_reason

    def test_the_manifest_is_plain_json(self, trained: tuple[Path, Manifest, list[set[str]]]) -> None:
        read = json.loads((trained[0] / MANIFEST_FILE).read_text(encoding="utf-8"))
        assert set(read) == set(Manifest.__struct_fields__)


def test_a_scaled_plan_keeps_its_seed_and_some_golfers() -> None:
    plan = training.Plan()
    half = plan.scaled(0.5)
    assert (half.landmark_golfers, half.fault_golfers) == (
        plan.landmark_golfers // 2,
        plan.fault_golfers // 2,
    )
    assert plan.scaled(0.0).test_golfers == 40 and half.seed == plan.seed


def test_the_parts_of_a_plan_are_drawn_from_different_seeds() -> None:
    seeds = {training.Plan(seed=seed).recipe(part, 10).seed for seed in (1, 2) for part in (1, 2, 3)}
    assert len(seeds) == 6


class TestCalibrationError:
    def test_by_hand(self) -> None:
        """Two bins: |1 - 1.8| above a half and |2 - 0.2| below, over four swings."""
        found = calibration_error(np.array([1, 0, 1, 1.0]), np.array([0.9, 0.9, 0.1, 0.1]), bins=2)
        assert found == pytest.approx((0.8 + 1.8) / 4)

    def test_of_the_right_frequency_is_none(self) -> None:
        labels = np.repeat([0, 1, 0, 1], [3, 1, 1, 3]).astype(float)
        assert calibration_error(labels, np.repeat([0.25, 0.75], 4)) == pytest.approx(0)

    def test_of_certainty_is_the_share_of_errors(self) -> None:
        assert calibration_error(np.array([1, 1, 0, 1.0]), np.ones(4)) == pytest.approx(0.25)
        assert calibration_error(np.array([0.0, 0.0]), np.zeros(2)) == 0

    def test_a_chance_of_one_stands_with_those_beside_it(self) -> None:
        assert calibration_error(np.array([0.0, 1.0]), np.array([1.0, 0.95])) == pytest.approx(0.475)

    def test_gaps_do_not_cancel_between_bins(self) -> None:
        found = calibration_error(np.array([1.0, 0.0]), np.array([0.3, 0.7]))
        assert found == pytest.approx(0.7)


def test_a_macro_figure_leaves_out_what_has_none() -> None:
    figures = {"faults": {"a": {"x": 0.5}, "b": {"x": None}, "c": {"x": 1.0}}}
    assert macro(figures, "x") == pytest.approx(0.75)


def test_marks_are_given_to_all_or_to_none(drawn: Drawn) -> None:
    marked, free = with_marks(drawn, True), with_marks(drawn, False)
    np.testing.assert_array_equal(marked.windows.mark_s[drawn.full], drawn.offset_s[drawn.full, 2])
    assert marked.windows.marked.tolist() == drawn.full.tolist() and not free.windows.marked.any()
    assert marked.truth is drawn.truth


def test_varied_recordings_keep_their_truth(drawn: Drawn) -> None:
    varied = vary(drawn, np.random.default_rng(0), marked_share=0.5, lost_share=0.4)
    assert varied.truth is drawn.truth
    lost = drawn.windows.has_pronation & ~varied.windows.has_pronation
    assert 0.2 < lost.mean() < 0.6
    assert not varied.windows.angles_deg[lost, PRONATION].any()
    np.testing.assert_array_equal(varied.windows.angles_deg[:, :2], drawn.windows.angles_deg[:, :2])
    np.testing.assert_array_equal(varied.windows.angles_deg[~lost], drawn.windows.angles_deg[~lost])
    error_s = np.abs(varied.windows.mark_s - drawn.offset_s[:, 2])[drawn.full]
    assert 0.3 < np.isfinite(error_s).mean() < 0.7 and np.nanmax(error_s) < 0.005
    np.testing.assert_array_equal(varied.windows.mark_s[~drawn.full], drawn.windows.mark_s[~drawn.full])


def test_some_rows_keep_windows_and_truth_together(drawn: Drawn) -> None:
    chosen = np.array([5, 2, 17])
    for part in (drawn.rows(chosen), drawn.rows(np.isin(np.arange(len(drawn)), chosen))):
        assert len(part) == len(part.windows) == 3
        at = part.truth.merge(drawn.truth.reset_index(), on=["player", "session", "swing"])["index"]
        np.testing.assert_array_equal(part.windows.anchor_s, drawn.windows.anchor_s[at])
    np.testing.assert_array_equal(take_windows(drawn.windows, chosen).end_s, drawn.windows.end_s[chosen])


def test_nothing_is_learned_from_what_cannot_be_seen(drawn: Drawn, catalogue: Catalogue) -> None:
    seen, true = seen_measures(catalogue, drawn), drawn.measures(catalogue)
    forearm = np.array([fault.needs_pronation for fault in catalogue.faults])
    without = ~drawn.windows.has_pronation
    assert without.any() and np.isnan(seen[np.ix_(without, forearm)]).all()
    top, impact = drawn.offset_s[:, 1], drawn.offset_s[:, 2]
    short = drawn.windows.end_s < impact + 0.3 * (impact - top)
    assert np.isnan(seen[short, catalogue.ids.index("hold_off")]).all()
    kept = np.isfinite(seen)
    np.testing.assert_array_equal(seen[kept], true[kept])
    np.testing.assert_array_equal(seen[:, ~forearm], true[:, ~forearm])
