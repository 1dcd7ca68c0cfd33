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
from faultml.pipelines.retraining.adapt import learn_adaptation
from faultml.pipelines.retraining.labelled import Labelled, believed, chance, default_adaptation, guard_chance
from faultml.synthetic.coach import Coach


@pytest.fixture(scope="module")
def suite() -> Suite:
    return drawn_suite()


COACHES = ("moved", "strict on the release", "careless")


@pytest.fixture(scope="module")
def points(suite: Suite) -> dict[tuple[str, int], Point]:
    found = learning_curves(
        CATALOGUE, edge_classifier(), suite, counts=(0, 100, 500), draws=1, coaches=COACHES
    )
    return {(point.coach, point.swings): point for point in found}


def _labelled(suite: Suite, coach: Coach, swings: int = 120) -> Labelled:
    random = np.random.default_rng(8)
    answers = coach.label(CATALOGUE, suite.measures, suite.guards, random)
    labelled = labelled_by(CATALOGUE, edge_classifier(), suite, answers)
    return labelled.rows(random.permutation(len(answers))[:swings])


@pytest.mark.parametrize("coach", ["moved", "strict on the release"])
def test_the_gap_to_a_model_that_knows_the_edges_closes(
    points: dict[tuple[str, int], Point], coach: str
) -> None:
    assert points[coach, 0].loss == pytest.approx(points[coach, 0].default)
    assert points[coach, 100].closed >= 0.5
    assert points[coach, 500].closed >= 0.8


def test_a_careless_coach_makes_nothing_worse(points: dict[tuple[str, int], Point]) -> None:
    for swings in (100, 500):
        point = points["careless", swings]
        assert point.difference_hi <= 0.01
        assert point.own_difference_hi <= 0.01
        assert (
            point.reported_difference_hi <= 0.01
        )  # the probability as reported, against answers with their lapses
        assert point.own_forecast < -0.1
        assert 0.11 <= point.lapse_rate <= 0.19


def test_shuffled_labels_move_nothing(suite: Suite) -> None:
    labelled = _labelled(suite, Coach.careful(CATALOGUE))
    mixed = np.random.default_rng(0).permutation(labelled.answers, axis=0)
    shuffled = replace(labelled, answers=mixed)
    adaptation = learn_adaptation(CATALOGUE, edge_classifier(), shuffled)
    assert adaptation.unrelated > 0.95
    assert np.all(believed(CATALOGUE, adaptation).shift == 0)
    assert learn_adaptation(CATALOGUE, edge_classifier(), labelled).unrelated < 0.01


def test_a_fault_with_no_answers_is_pulled_to_its_group(suite: Suite) -> None:
    labelled = _labelled(suite, Coach(-1.5 * SOFT, 0.0))
    column = CATALOGUE.ids.index("flip")
    answers = labelled.answers.copy()
    answers[:, column] = np.nan
    adaptation = learn_adaptation(CATALOGUE, edge_classifier(), replace(labelled, answers=answers))
    others = np.arange(len(SOFT)) != column
    assert -1.7 < adaptation.shift[column] / SOFT[column] < -0.5
    assert adaptation.shift_sd[column] / SOFT[column] > 1.2 * np.median((adaptation.shift_sd / SOFT)[others])


def test_shifts_are_covered_by_their_intervals(suite: Suite) -> None:
    bias = np.random.default_rng(3).choice([-1.5, 1.5], len(SOFT)) * SOFT
    adaptation = learn_adaptation(CATALOGUE, edge_classifier(), _labelled(suite, Coach(bias, 0.05)))
    inside = np.abs(adaptation.shift - bias) <= 1.96 * adaptation.shift_sd
    assert inside.mean() >= 0.8


def test_contradicting_coaches_are_kept_apart(suite: Suite) -> None:
    strict = learn_adaptation(CATALOGUE, edge_classifier(), _labelled(suite, Coach(-1.5 * SOFT, 0.0)))
    lenient = learn_adaptation(CATALOGUE, edge_classifier(), _labelled(suite, Coach(1.5 * SOFT, 0.0)))
    assert np.all(lenient.shift - strict.shift > 1.5 * SOFT)


def test_without_labels_the_default_holds(suite: Suite) -> None:
    labelled = _labelled(suite, Coach.careful(CATALOGUE))
    empty = replace(labelled, answers=np.full_like(labelled.answers, np.nan))
    adaptation = learn_adaptation(CATALOGUE, edge_classifier(), empty)
    plain = chance(edge_classifier(), labelled, default_adaptation(CATALOGUE))
    np.testing.assert_allclose(chance(edge_classifier(), labelled, adaptation), plain)


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
    seen = FaultAdaptation(shift=6.0, shift_sd=1.0, softness=5.0, swings=40, golfers=9)
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
    one = default_adaptation(CATALOGUE)
    at = np.arange(len(SOFT)) == column
    one = replace(one, shift=6.0 * at, shift_sd=1.0 * at, softness=np.where(at, 5.0, SOFT))
    reported = model.probability(suite.posterior, catalogue.edges(suite.golfers))
    np.testing.assert_allclose(reported, chance(edge_classifier(), labelled, one))


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
    moved = FaultAdaptation(shift=9.0, shift_sd=1.0, softness=5.0, swings=40, golfers=9)
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
