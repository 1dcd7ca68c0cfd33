"""A coach adaptation: learned from answers, held to the targets on golfers held out, and used."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from coach_fakes import CATALOGUE, SOFT, drawn_suite, edge_classifier
from scipy.special import logit

from faultml.classifier import coach_adaptation
from faultml.classifier.coach_adaptation import (
    FaultAdaptation,
    load_adaptation,
    save_adaptation,
    with_adaptation,
)
from faultml.errors import BundleError
from faultml.pipelines.benchmarks.coach_suite import Suite, labelled_by
from faultml.pipelines.benchmarks.learning_curves import Point, learning_curves
from faultml.pipelines.retraining.adapt import (
    MAX_UNRELATED,
    MIN_INCLUSION,
    gather,
    learn,
    look,
    looked_at,
)
from faultml.pipelines.retraining.labelled import (
    BY_FAULT,
    Adaptation,
    Labelled,
    chance,
    default_adaptation,
    edges_adaptation,
    golfer_folds,
    guard_chance,
)
from faultml.pipelines.retraining.ladder import _rung
from faultml.synthetic.coach import Coach


@pytest.fixture(scope="module")
def suite() -> Suite:
    return drawn_suite()


COACHES = ("moved", "strict on the release", "careless")


@pytest.fixture(scope="module")
def points(suite: Suite) -> dict[tuple[str, int], Point]:
    found = learning_curves(
        CATALOGUE, edge_classifier(), suite, counts=(0, 100, 400), draws=1, coaches=COACHES
    )
    return {(point.coach, point.swings): point for point in found}


def _labelled(suite: Suite, coach: Coach, swings: int = 200) -> Labelled:
    random = np.random.default_rng(8)
    answers = coach.label(CATALOGUE, suite.measures, suite.guards, random)
    labelled = labelled_by(CATALOGUE, edge_classifier(), suite, answers)
    labelled = labelled.rows(random.permutation(len(answers))[:swings])
    return replace(labelled, order=np.arange(swings))


def _learned(labelled: Labelled) -> Adaptation:
    return learn(CATALOGUE, edge_classifier(), labelled).adaptation


@pytest.mark.parametrize("coach", ["moved", "strict on the release"])
def test_the_gap_to_a_model_that_knows_the_edges_closes(
    points: dict[tuple[str, int], Point], coach: str
) -> None:
    assert points[coach, 0].loss == pytest.approx(points[coach, 0].default)
    assert points[coach, 100].closed >= 0.4
    assert points[coach, 400].closed >= 0.8


def test_a_careless_coach_moves_nothing(points: dict[tuple[str, int], Point]) -> None:
    for swings in (100, 400):
        point = points["careless", swings]
        assert point.loss == point.default and point.difference_hi == 0
        assert point.own_forecast < -0.1
        assert 0.11 <= point.lapse_rate <= 0.19


FLIP, ROLL = CATALOGUE.ids.index("flip"), CATALOGUE.ids.index("early_roll")
TWO = 2.0 * SOFT * np.isin(np.arange(len(SOFT)), [FLIP, ROLL])


def test_only_faults_whose_own_answers_say_so_are_moved(suite: Suite, tmp_path: Path) -> None:
    adaptation = _learned(_labelled(suite, Coach(TWO, 0.02)))
    assert np.flatnonzero(adaptation.moved).tolist() == sorted([FLIP, ROLL])
    assert (adaptation.inclusion[[FLIP, ROLL]] > MIN_INCLUSION).all()
    assert (np.delete(adaptation.inclusion, [FLIP, ROLL]) < MIN_INCLUSION).all()
    # Saved and read again, every other fault's probability is the same to the last bit.
    faults = {
        name: FaultAdaptation(
            rung=adaptation.rungs[k],
            swings=200,
            golfers=99,
            **{each: float(getattr(adaptation, each)[k]) for each in BY_FAULT},
        )
        for k, name in enumerate(CATALOGUE.ids)
    }
    _saved(tmp_path, faults=faults)
    kept, catalogue = load_adaptation(tmp_path)
    own = with_adaptation(_bundle(), kept).classifier
    edges = catalogue.edges(suite.golfers)
    reported, plain = (
        model.probability(suite.posterior, at)
        for model, at in ((own, edges), (edge_classifier(), CATALOGUE.edges(suite.golfers)))
    )
    others = ~adaptation.moved
    assert np.array_equal(reported[:, others], plain[:, others], equal_nan=True)
    assert np.array_equal(edges[:, others], CATALOGUE.edges(suite.golfers)[:, others])
    assert (np.abs(reported - plain)[:, ~others].max(axis=0) > 0.1).all()


def test_faults_are_looked_at_when_the_labels_have_doubled(suite: Suite) -> None:
    assert [look(count) for count in (0, 49, 50, 99, 100, 399, 400, 1000)] == [
        0,
        0,
        50,
        50,
        100,
        200,
        400,
        800,
    ]
    labelled = _labelled(suite, Coach(TWO, 0.02), 199)
    late = labelled.order >= 100
    other = replace(labelled, answers=np.where(late[:, None], 1 - labelled.answers, labelled.answers))
    model = edge_classifier()
    assert looked_at(CATALOGUE, model, labelled) == looked_at(CATALOGUE, model, other), "the first 100 decide"
    shuffled = np.random.default_rng(1).permutation(199)
    assert looked_at(CATALOGUE, model, labelled) == looked_at(CATALOGUE, model, labelled.rows(shuffled))
    few = labelled.rows(np.isin(labelled.golfers, np.unique(labelled.golfers)[:19]))
    assert set(looked_at(CATALOGUE, model, few)) == {"catalogue"}, "of too few golfers"


def test_a_golfer_stays_in_one_fold() -> None:
    names = np.array([f"g{k}" for k in range(200)], dtype=object)
    fold = golfer_folds(names, folds=5)
    assert np.array_equal(golfer_folds(names[::3], folds=5), fold[::3])
    assert (np.bincount(fold) > 20).all()
    assert not np.array_equal(golfer_folds(names, folds=5, seed=1), fold)


def test_a_rung_is_the_simplest_that_golfers_held_out_do_not_refute() -> None:
    random = np.random.default_rng(0)
    golfers = np.repeat(np.arange(60), 5).astype(object)
    fold = golfer_folds(golfers, folds=5)
    truth = random.uniform(0.02, 0.98, 300)
    answers = (random.random(300) < truth).astype(float)
    off, common = np.clip(truth**3, 1e-3, 1), np.full(300, answers.mean())

    def chosen(catalogue: np.ndarray, calibration: np.ndarray, edges: np.ndarray) -> str:
        each = {"catalogue": catalogue, "calibration": calibration, "edges": edges}
        return _rung(answers, each, common, golfers, fold)

    assert chosen(off, truth, truth) == "calibration"
    assert chosen(off, np.sqrt(off * truth), truth) == "edges"
    assert chosen(truth, truth, truth) == "catalogue"
    assert chosen(truth, off, off) == "catalogue"
    assert chosen(1 - truth, common, common) == "catalogue", "no better than knowing how common it is"
    ranks_worse = np.where(random.random(300) < 0.1, 0.5, truth)
    assert chosen(off, ranks_worse, ranks_worse) == "catalogue", "average precision is lost"


def test_shuffled_labels_move_nothing(suite: Suite) -> None:
    labelled = _labelled(suite, Coach(TWO, 0.0))
    mixed = np.random.default_rng(0).permutation(labelled.answers, axis=0)
    adaptation = _learned(replace(labelled, answers=mixed))
    assert adaptation.unrelated_share > 0.6 and "do not go with what is measured" in adaptation.refused
    assert not adaptation.moved.any()
    assert _learned(labelled).unrelated_share < 0.05


def test_a_sheet_of_other_swings_counts_for_nothing(suite: Suite) -> None:
    """One of five: the rest is learned from as if it were not there."""
    labelled = replace(_labelled(suite, Coach(TWO, 0.02)), sheets=np.arange(200) // 40)
    wrong = labelled.sheets == 2
    answers = labelled.answers.copy()
    answers[wrong] = np.random.default_rng(2).permutation(answers[wrong], axis=0)
    spoiled = replace(labelled, answers=answers)
    gathered = gather(CATALOGUE, edge_classifier(), spoiled)
    assert gathered.weights[wrong].max() < 0.1 and np.median(gathered.weights[~wrong]) > 0.9
    assert 0.15 < gathered.unrelated < MAX_UNRELATED
    by_golfer = replace(labelled, golfers=labelled.sheets.astype(str).astype(object), answers=answers)
    by_occasion = replace(
        spoiled, occasions=labelled.sheets.astype(str).astype(object), sheets=np.zeros(200, dtype=np.int64)
    )
    for each in (by_golfer, by_occasion):
        weights = gather(CATALOGUE, edge_classifier(), each).weights
        assert weights[wrong].max() < 0.1 < weights[~wrong].min()


def test_a_fault_with_no_answers_stays_as_it_is(suite: Suite) -> None:
    labelled = _labelled(suite, Coach(-2.0 * SOFT, 0.0))
    answers = labelled.answers.copy()
    answers[:, FLIP] = np.nan
    adaptation = _learned(replace(labelled, answers=answers))
    assert adaptation.moved.sum() > 8 and adaptation.rungs[FLIP] == "catalogue"
    assert (adaptation.shift[FLIP], adaptation.softness[FLIP]) == (0, SOFT[FLIP])


def test_shifts_are_covered_by_their_intervals(suite: Suite) -> None:
    bias = np.random.default_rng(3).choice([-1.5, 1.5], len(SOFT)) * SOFT
    fit = gather(CATALOGUE, edge_classifier(), _labelled(suite, Coach(bias, 0.05))).fit
    shift, sd = (
        np.array([getattr(fit.faults[k], each) for k in range(len(SOFT))]) for each in ("shift", "shift_sd")
    )
    assert (np.abs(shift - bias / SOFT) <= 1.96 * sd).mean() >= 0.8


def test_contradicting_coaches_are_kept_apart(suite: Suite) -> None:
    strict, lenient = (_learned(_labelled(suite, Coach(side * TWO, 0.0))) for side in (-1, 1))
    for each, side in ((strict, -1), (lenient, 1)):
        assert (side * (each.shift - each.offset)[[FLIP, ROLL]] > 0.8).all()


def test_without_labels_the_default_holds(suite: Suite) -> None:
    labelled = _labelled(suite, Coach.careful(CATALOGUE))
    empty = replace(labelled, answers=np.full_like(labelled.answers, np.nan))
    plain = chance(edge_classifier(), labelled, default_adaptation(CATALOGUE))
    np.testing.assert_array_equal(chance(edge_classifier(), labelled, _learned(empty)), plain)


def test_the_guard_is_read_back_from_a_probability(suite: Suite) -> None:
    model = edge_classifier()
    labelled = labelled_by(CATALOGUE, model, suite, np.full_like(suite.measures, np.nan))
    reported = model.probability(suite.posterior, model.edges)
    column = model.guarded[0]
    read = guard_chance(model, labelled.past, labelled.sd, reported)[:, column]
    clear = (
        (labelled.past[:, column] > -4) & (labelled.guard[:, column] > 1e-3) & (reported[:, column] < 0.9999)
    )
    np.testing.assert_allclose(read[clear], labelled.guard[clear, column], rtol=1e-4)


def _saved(folder: Path, **changes: Any) -> None:
    seen = FaultAdaptation(rung="edges", shift=6.0, shift_sd=1.0, softness=5.0, swings=40, golfers=9)
    adaptation = {
        "coach": 'Ann "the \n eye"', "learned": "2031-05-01T10:00:00+00:00", "model_sha256": "m" * 64,
        "labels_sha256": "f" * 64, "adopted": True, "why": "", "lapse_rate": 0.02,
        "lapse_rate_sd": 0.01, "unrelated": 0.0, "swings": 40, "golfers": 9, "labelled_players": ("t",),
        "held_out": {}, "faults": {"flip": seen},
    }  # fmt: skip
    save_adaptation(folder, CATALOGUE, {**adaptation, **changes})


def _bundle(sha256: str = "m" * 64) -> Any:
    from faultml.classifier.bundle import Bundle

    manifest: Any = SimpleNamespace(is_model=sha256.__eq__, faults=CATALOGUE.ids, sha256=sha256)
    nothing: Any = None
    return Bundle(detector=nothing, swing_filter=nothing, classifier=edge_classifier(), manifest=manifest)


def test_a_saved_adaptation_moves_edges_and_softens_them(tmp_path: Path, suite: Suite) -> None:
    _saved(tmp_path)
    adaptation, catalogue = load_adaptation(tmp_path)
    column = CATALOGUE.ids.index("flip")
    assert catalogue.edge("flip") == (CATALOGUE["flip"].edge - 6.0, 'Ann "the \n eye"')
    assert catalogue.edge("overset").owner == CATALOGUE.owner
    bundle = _bundle()
    model = with_adaptation(bundle, adaptation).classifier
    assert model.softness[column] == pytest.approx(np.hypot(5.0, 1.0))
    assert bundle.classifier.softness[column] == SOFT[column]  # the model itself stays as it is
    # The same numbers as those that retraining was judged by.
    labelled = labelled_by(CATALOGUE, edge_classifier(), suite, np.full_like(suite.measures, np.nan))
    at = np.arange(len(SOFT)) == column
    one = edges_adaptation(CATALOGUE, 6.0 * at)
    one = replace(one, shift_sd=1.0 * at, softness=np.where(at, 5.0, SOFT))
    reported = model.probability(suite.posterior, catalogue.edges(suite.golfers))
    np.testing.assert_allclose(reported, chance(edge_classifier(), labelled, one))


def test_a_calibration_changes_probabilities_and_leaves_the_edge(tmp_path: Path, suite: Suite) -> None:
    seen = FaultAdaptation(
        rung="calibration", shift=0, shift_sd=0, softness=float(SOFT[FLIP]), slope=0.75, offset=1.5,
        swings=40, golfers=29,
    )  # fmt: skip
    as_it_was = FaultAdaptation(
        rung="catalogue", shift=6, shift_sd=2, softness=9, slope=0.5, offset=1, swings=40, golfers=29
    )
    _saved(tmp_path, faults={"flip": seen, "overset": as_it_was})
    adaptation, catalogue = load_adaptation(tmp_path)
    assert np.array_equal(catalogue.edges(["p"]), CATALOGUE.edges(["p"]))
    assert catalogue.edge("flip").owner == CATALOGUE.owner
    bundle = with_adaptation(_bundle(), adaptation)
    assert bundle.recalibrated == ("flip",), "what is promised of flags at this edge no longer holds"
    edges = CATALOGUE.edges(suite.golfers)
    own, plain = (
        model.probability(suite.posterior, edges) for model in (bundle.classifier, edge_classifier())
    )
    np.testing.assert_allclose(logit(own)[:, FLIP], 1.5 + 0.75 * logit(plain)[:, FLIP])
    assert np.array_equal(np.delete(own, FLIP, 1), np.delete(plain, FLIP, 1), equal_nan=True)


def test_a_changed_adaptation_is_refused(tmp_path: Path) -> None:
    _saved(tmp_path)
    adaptation, _ = load_adaptation(tmp_path)
    with pytest.raises(BundleError, match="coach-model"):
        with_adaptation(_bundle("n" * 64), adaptation)
    edges = tmp_path / adaptation.edges_file
    edges.write_text(edges.read_text().replace("-11.0", "-9.0"))
    with pytest.raises(BundleError, match="coach-changed"):
        load_adaptation(tmp_path)
    with pytest.raises(BundleError, match="bad-coach"):
        load_adaptation(tmp_path / "nowhere")


def test_an_interrupted_write_leaves_the_old_adaptation_or_the_new(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stopped after any of its steps on the disk."""
    _saved(tmp_path)
    old = load_adaptation(tmp_path)[0]
    moved = FaultAdaptation(rung="edges", shift=9.0, shift_sd=1.0, softness=5.0, swings=40, golfers=9)
    steps = [0]
    replaced, unlink = Path.replace, Path.unlink

    class Stopped(BaseException):
        pass

    def count_down(then: Any) -> Any:
        def step(self: Path, *words: Any, **more: Any) -> Any:
            if steps[0] == 0:
                raise Stopped
            steps[0] -= 1
            return then(self, *words, **more)

        return step

    monkeypatch.setattr(Path, "replace", count_down(replaced))
    monkeypatch.setattr(Path, "unlink", count_down(unlink))
    for stop_after in range(4):
        steps[0] = 99
        _saved(tmp_path)
        steps[0] = stop_after
        finished = True
        try:
            _saved(tmp_path, faults={"flip": moved})
        except Stopped:
            finished = False
        seen, catalogue = load_adaptation(tmp_path)
        assert finished == (stop_after == 3)
        new = stop_after >= 2
        assert seen.faults["flip"].shift == (9.0 if new else 6.0)
        assert catalogue.edge("flip").value == CATALOGUE["flip"].edge - seen.faults["flip"].shift
        assert new or seen == old
    assert {path.name for path in tmp_path.iterdir()} == {coach_adaptation.ADAPTATION_FILE, seen.edges_file}


def test_results_name_the_adaptation(tmp_path: Path) -> None:
    _saved(tmp_path)
    adaptation, _ = load_adaptation(tmp_path)
    digest = hashlib.sha256((tmp_path / coach_adaptation.ADAPTATION_FILE).read_bytes()).hexdigest()
    assert with_adaptation(_bundle(), adaptation).origin["coach"] == {
        "name": adaptation.coach, "adaptation_sha256": digest, "learned": "2031-05-01T10:00:00+00:00", "adopted": True,
    }  # fmt: skip


def test_an_adaptation_not_adopted_changes_nothing(tmp_path: Path) -> None:
    _saved(tmp_path, adopted=False)
    adaptation, catalogue = load_adaptation(tmp_path)
    bundle = _bundle()
    assert with_adaptation(bundle, adaptation).classifier is bundle.classifier
    assert np.array_equal(catalogue.edges(["p"]), CATALOGUE.edges(["p"]))
