"""The promotion test: a better model passes; an equal, a worse and a shuffled one do not. Bounds as of scipy."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from scipy.stats import bootstrap
from sklearn.metrics import average_precision_score, log_loss

from faultml.classifier.assess import Assessor
from faultml.classifier.bundle import Bundle
from faultml.faults.catalogue import Catalogue
from faultml.pipelines.registry.promotion_report import report
from faultml.pipelines.registry.promotion_rule import (
    CERTAINTY,
    DECIDES,
    LEADS,
    MIN_GOLFERS,
    RANKS,
    WATCHES,
    Answers,
    Demand,
    compare,
    decide,
    golfer_weights,
    weighted_average_precision,
    weighted_log_loss,
)
from faultml.recordings.read import open_season
from faultml.recordings.write import write_season
from faultml.synthetic.season import SyntheticSeason

FAULTS = ("flip", "overset", "hold_off")


def suite(
    old: float, new: float, *, golfers: int = 300, each: int = 10, demand: Demand = DECIDES, seed: int = 1
) -> Answers:
    """Answers of a coach, and two models that see the motion through so much noise (in units of its spread)."""
    random = np.random.default_rng(seed)
    shape = (golfers * each, len(FAULTS))
    golfer = np.repeat(np.arange(golfers), each)
    motion = random.normal(0, 1, (golfers, len(FAULTS)))[golfer] + random.normal(0, 0.5, shape)
    labels = (random.random(shape) < chance(motion)).astype(float)
    labels[random.random(shape) < 0.1] = np.nan
    models = [chance((motion + random.normal(0, noise, shape)) / (1 + noise**2)) for noise in (old, new)]
    return Answers("the suite", labels, *models, golfer, demand)


def chance(motion: NDArray) -> NDArray:
    return 1 / (1 + np.exp(-4 * (motion - 1)))


class TestRules:
    def test_a_better_model_passes(self) -> None:
        assert decide(FAULTS, [suite(0.8, 0.3)]).passed

    @pytest.mark.parametrize("new", [0.5, 0.8], ids=["as good", "worse"])
    def test_one_as_good_or_worse_does_not(self, new: float) -> None:
        verdict = decide(FAULTS, [suite(0.5, new)])
        assert any("log loss is not shown better" in reason for reason in verdict.reasons)

    def test_the_same_model_is_not_shown_better_than_itself(self) -> None:
        answers = suite(0.5, 0.5)
        assert not decide(FAULTS, [answers._replace(challenger=answers.champion)]).passed

    def test_better_overall_but_worse_on_one_fault_does_not(self) -> None:
        answers = suite(0.8, 0.2)
        answers.challenger[:, 1] = suite(0.8, 1.5).challenger[:, 1]
        verdict = decide(FAULTS, [answers])
        assert len(verdict.reasons) == 1 and "overset may be worse" in verdict.reasons[0]

    def test_shuffled_is_refused_even_where_there_is_no_champion(self) -> None:
        answers = suite(0.5, 0.3)
        rate = np.broadcast_to(np.nanmean(answers.labels, axis=0), answers.labels.shape)
        shuffled = np.random.default_rng(2).permutation(answers.challenger)
        assert not decide(FAULTS, [answers._replace(champion=rate, challenger=shuffled)]).passed
        assert decide(FAULTS, [answers._replace(champion=rate)]).passed

    def test_every_suite_must_agree(self) -> None:
        assert not decide(FAULTS, [suite(0.8, 0.3), suite(0.3, 0.8, seed=2)]).passed

    def test_a_coachs_few_labels_hold_back_only_what_they_show_to_be_worse(self) -> None:
        good = suite(0.8, 0.3)
        few = {"golfers": 30, "each": 5, "demand": WATCHES}
        assert decide(FAULTS, [good, suite(0.5, 0.5, **few)]).passed
        verdict = decide(FAULTS, [good, suite(0.1, 3.0, **few)])
        assert any("log loss is shown worse" in reason for reason in verdict.reasons)

    def test_an_adaptation_must_predict_its_coach_better_and_rank_swings_as_well(self) -> None:
        ranked = suite(0.5, 0.5, demand=RANKS)
        moved = ranked._replace(challenger=np.sqrt(ranked.champion))  # the same order, other probabilities
        assert decide(FAULTS, [suite(0.8, 0.3, demand=LEADS), moved]).passed
        few = {"golfers": 40, "each": 6, "demand": LEADS}
        assert decide(
            FAULTS, [suite(0.8, 0.2, **few), moved]
        ).passed  # no worse need not be shown of each fault
        assert not decide(FAULTS, [suite(0.5, 0.5, **few), moved]).passed
        assert not decide(FAULTS, [moved]).passed  # nothing that could be shown better
        mixed = ranked._replace(challenger=ranked.champion[::-1].copy())
        verdict = decide(FAULTS, [suite(0.8, 0.3, demand=LEADS), mixed])
        assert any("flip is shown worse" in reason for reason in verdict.reasons)

    def test_too_few_golfers_decide_nothing(self) -> None:
        few = suite(0.8, 0.3, golfers=MIN_GOLFERS - 1, each=40)
        assert "golfers with enough answers" in decide(FAULTS, [few]).reasons[0]
        assert decide(FAULTS, [suite(0.8, 0.3), few._replace(demand=WATCHES)]).passed
        assert not decide(FAULTS, []).passed

    def test_one_golfers_many_swings_do_not_narrow_the_bounds(self) -> None:
        once = suite(0.8, 0.3, golfers=60, each=5)
        often = Answers(once.name, *(np.repeat(part, 20, axis=0) for part in once[1:5]))
        one, many = compare(FAULTS, once).log_loss, compare(FAULTS, often).log_loss
        assert one is not None and many is not None and many == pytest.approx(one, abs=1e-9)


class TestArithmetic:
    def test_scores_are_scikit_learns_at_every_weight(self) -> None:
        random = np.random.default_rng(3)
        y, p = (random.random(200) < 0.3).astype(float), random.random(200).round(1)  # with ties
        weights = random.integers(0, 4, (7, 200)).astype(float)
        expected = [average_precision_score(y, p, sample_weight=row) for row in weights]
        assert weighted_average_precision(y, p, weights) == pytest.approx(expected)
        p = np.clip(p, 0.05, 0.95)
        expected = [log_loss(y, p, sample_weight=row) for row in weights]
        assert weighted_log_loss(y, p, weights) == pytest.approx(expected)

    def test_the_bounds_are_those_of_scipys_bootstrap(self) -> None:
        answers = suite(0.8, 0.5, golfers=80, each=6)
        ours = compare(FAULTS[:1], Answers("", *(part[:, :1] for part in answers[1:4]), answers.golfers))

        y, old, new = (part[:, 0] for part in answers[1:4])
        with np.errstate(invalid="ignore"):
            loss = [-np.where(y == 1, np.log(p), np.log1p(-p)) for p in (old, new)]
        known = np.isfinite(y)
        gained = np.where(known, loss[0] - loss[1], 0).reshape(80, 6).sum(axis=1)
        count = known.reshape(80, 6).sum(axis=1)
        found = bootstrap(
            (gained, count),
            lambda gained, count, axis: gained.sum(axis=axis) / count.sum(axis=axis),
            paired=True,
            n_resamples=4000,
            method="percentile",
            confidence_level=2 * CERTAINTY - 1,
            rng=np.random.default_rng(4),
        )
        assert ours.log_loss is not None
        assert (ours.log_loss.lo, ours.log_loss.hi) == pytest.approx(
            tuple(found.confidence_interval), abs=0.25 * found.standard_error
        )

    def test_the_first_weights_are_the_golfers_as_they_are(self) -> None:
        weights = golfer_weights(30, 50, 0)
        assert (weights[0] == 1).all() and (weights.sum(axis=1) == 30).all()


def test_the_report_says_why_not_and_names_every_fault() -> None:
    text = report(decide(FAULTS, [suite(0.3, 0.8)]), "Version 2", "champion 1")
    assert "May not become champion" in text and "log loss is not shown better" in text
    assert all(f"| {fault} |" in text for fault in FAULTS)
    assert "May become champion" in report(decide(FAULTS, [suite(0.8, 0.3)]), "Version 2", "champion 1")


def test_a_coachs_answers_meet_their_swings(
    generated: SyntheticSeason, bundle: Bundle, assessor: Assessor, catalogue: Catalogue, tmp_path: Path
) -> None:
    from faultml.pipelines.registry.promotion_suites import coach_answers

    write_season(generated.batch, tmp_path / "season.parquet")
    assessment = assessor.assess(next(iter(open_season([tmp_path]).batches())))
    table, rows = assessment.batch.table, np.flatnonzero(assessment.assessed)[:20]
    ids = table.iloc[rows][["player", "session", "swing"]]
    said = ids.assign(fault="flip", verdict=["yes", "no"] * 10)
    # As many yes as no of one swing is no answer, and unsure is none.
    both = said.head(1).assign(verdict="no")
    unsure = said.head(3).assign(fault="overset", verdict="unsure")
    answers = coach_answers(catalogue, [tmp_path], pd.concat([said, both, unsure]), None, bundle)
    column = catalogue.ids.index("flip")
    assert answers.demand == WATCHES and np.isfinite(answers.labels).sum() == 19
    assert answers.labels[:, column].tolist() == [0.0, 1.0] * 9 + [0.0]
    assert answers.golfers.tolist() == ids["player"].tolist()[1:]
    np.testing.assert_array_equal(answers.challenger, assessment.probability[rows[1:]])
