"""An adaptation cross-validated over golfers, and the test that it must pass before it is used.

``faultml retrain`` and the registry's promotion ask the same of it (`promotion_test`).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.faults.catalogue import Catalogue
from faultml.pipelines.registry.promotion_rule import LEADS, Answers, Verdict, base_rates, decide
from faultml.pipelines.retraining.adapt import FEWEST_GOLFERS, Learned
from faultml.pipelines.retraining.covariates import learn_covariate_adaptation, refitted
from faultml.pipelines.retraining.evidence import FOLDS
from faultml.pipelines.retraining.labelled import (
    Labelled,
    chance,
    default_adaptation,
    golfer_folds,
    log_losses,
)
from faultml.pipelines.retraining.ladder import PRECISION_MARGIN, adaptation_of
from faultml.runtime.faults import FaultModel

Array = NDArray[np.float64]

HELD_OUT: Final = "the coach's labels, golfers held out"
COMMON: Final = "the same labels, against knowing only how common each fault is"
_MIN_ANSWERS: Final = 3
"""Yes and as many no for a fault to count: one that was not moved counts as a gain of 0."""


def held_out_chances(
    catalogue: Catalogue, classifier: FaultModel, labelled: Labelled, learned: Learned | None = None
) -> tuple[Array, Array]:
    """Chances of a yes by the model alone and by the adaptation, as learned from the other golfers alone.

    Which faults are moved, and how far up the ladder, is as `learned`; everything else about the coach is learned from
    golfers of other folds. Lapses and unrelated answers are part of both forecasts and the same in both, so that
    careless labels speak for neither.
    """
    if learned is None:
        learned = learn_covariate_adaptation(catalogue, classifier, labelled)
    plain, own = np.full(labelled.past.shape, np.nan), np.full(labelled.past.shape, np.nan)
    evidence, rungs = learned.evidence, default_adaptation(catalogue).rungs
    for fold in range(FOLDS):
        out = evidence.fold == fold
        if not out.any() or out.all():
            continue
        held, fit = labelled.rows(out), evidence.fit(without=fold)
        adaptation = adaptation_of(catalogue, evidence, fit, learned.adaptation.rungs)
        if learned.ridges.any():
            adaptation = refitted(catalogue, classifier, labelled.rows(~out), adaptation, learned.ridges)
        alone = replace(
            adaptation_of(catalogue, evidence, fit, rungs),
            unrelated=adaptation.unrelated,
            lapse_rate=adaptation.lapse_rate,
        )
        for chances, used in ((plain, alone), (own, adaptation)):
            chances[out] = used.of_answers(chance(classifier, held, used))
    return plain, own


def suites(labelled: Labelled, plain: Array, own: Array) -> list[Answers]:
    """What an adaptation is tried on: a coach's answers, and two forecasts of golfers held out.

    Labels in the wrong rows make a forecast of shares alone look better than a model that commits itself: therefore the
    second.
    """
    answers = np.where(labelled.known, labelled.answers, np.nan)
    folds = golfer_folds(labelled.golfers, folds=FOLDS)
    return [
        Answers(name, answers, before, own, labelled.golfers, LEADS, _MIN_ANSWERS, folds)
        for name, before in ((HELD_OUT, plain), (COMMON, base_rates(answers)))
    ]


def promotion_test(catalogue: Catalogue, labelled: Labelled, plain: Array, own: Array) -> Verdict:
    """Whether an adaptation is shown to predict golfers held out better, and to rank their swings no worse."""
    return decide(catalogue.ids, suites(labelled, plain, own), margin=PRECISION_MARGIN)


def figures(labelled: Labelled, plain: Array, own: Array) -> dict[str, float]:
    """Log losses on golfers held out: ``default``, ``adapted``, their ``difference``, and its ``low`` and ``high``.

    Nothing where golfers are too few to hold any out.
    """
    if len(np.unique(labelled.golfers[labelled.known.any(axis=1)])) < FEWEST_GOLFERS:
        return {}
    answers = np.where(labelled.known, labelled.answers, np.nan)
    before, after = log_losses(answers, plain), log_losses(answers, own)
    mean, low, high = _difference(after, before, labelled.golfers)
    found = (float(np.nanmean(before)), float(np.nanmean(after)), mean, low, high)
    names = ("default", "adapted", "difference", "low", "high")
    return {name: round(float(value), 5) for name, value in zip(names, found, strict=True)}


def _difference(
    own: Array, plain: Array, golfers: NDArray[np.object_], *, seed: int = 0
) -> tuple[float, ...]:
    """Mean of own - plain with a 95 % interval, drawing golfers again (percentile bootstrap, 2000 draws)."""
    _, owner = np.unique(golfers, return_inverse=True)
    known = np.isfinite(own)
    apart = np.bincount(owner, np.where(known, own - plain, 0.0).sum(axis=1))
    count = np.bincount(owner, known.sum(axis=1))
    n = len(count)
    times = np.random.default_rng(seed).multinomial(n, np.full(n, 1 / n), size=2000)
    drawn = (times @ apart) / np.maximum(times @ count, 1)
    low, high = np.quantile(drawn, [0.025, 0.975])
    return float(apart.sum() / max(count.sum(), 1)), float(low), float(high)
