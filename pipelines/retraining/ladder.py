"""How far up the ladder a fault goes: catalogue, calibration, edges; the simplest that golfers held out do not refute.

Golfers are held out by a hash of their name, so that each stays on its side whoever else is labelled later.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.classifier.coach_adaptation import Rung
from faultml.faults.catalogue import Catalogue
from faultml.pipelines.registry.promotion_rule import precision_gain
from faultml.pipelines.retraining.evidence import FOLDS, Evidence, Fit
from faultml.pipelines.retraining.labelled import (
    BY_FAULT,
    Adaptation,
    Labelled,
    chance,
    default_adaptation,
    log_losses,
)
from faultml.runtime.faults import FaultModel

Array = NDArray[np.float64]

PRECISION_MARGIN: Final = 0.005
"""Average precision that a fault may lose."""
_RUNGS: Final[tuple[Rung, ...]] = ("catalogue", "calibration", "edges")
_LEARNED_AS: Final[dict[Rung, int]] = {"catalogue": 0, "calibration": 1, "edges": 2, "residual": 2}


def adaptation_of(catalogue: Catalogue, evidence: Evidence, fit: Fit, rungs: Sequence[Rung]) -> Adaptation:
    """What was learned, with each fault as far from the catalogue as its rung says and no further."""
    default = default_adaptation(catalogue)
    own = {name: getattr(default, name).copy() for name in BY_FAULT}
    for column, seen in fit.faults.items():
        soft = float(catalogue.softness_by_fault[column])
        own["inclusion"][column] = seen.inclusion
        own["yes_share"][column] = evidence.yes_share[column]
        own["unrelated"][column] = seen.unrelated[_LEARNED_AS[rungs[column]]]
        if rungs[column] == "calibration":
            own["slope"][column], own["offset"][column] = seen.slope, seen.offset
        elif rungs[column] != "catalogue":
            own["shift"][column], own["shift_sd"][column] = seen.shift * soft, seen.shift_sd * soft
            own["softness"][column] = seen.ratio * soft
    return Adaptation(tuple(rungs), **own, lapse_rate=fit.lapse_rate, lapse_rate_sd=fit.lapse_rate_sd)


def choose_rungs(
    catalogue: Catalogue,
    classifier: FaultModel,
    labelled: Labelled,
    evidence: Evidence,
    included: NDArray[np.bool_],
) -> tuple[Rung, ...]:
    """The rung of each fault; "catalogue" for those not `included`, ``(n_faults,)``.

    A rung is looked at only where it ranks the swings of golfers held out no worse than the catalogue by
    `PRECISION_MARGIN`. Of those the simplest within one standard error, over golfers, of the best is taken, provided it
    predicts better, by one standard error, than knowing only how common the fault is.
    """
    count = len(catalogue.ids)
    rungs: list[Rung] = ["catalogue"] * count
    if not included.any():
        return tuple(rungs)
    answers = np.where(labelled.known, labelled.answers, np.nan)
    predicted = {rung: np.full(answers.shape, np.nan) for rung in _RUNGS}
    common = np.full(answers.shape, np.nan)
    for fold in range(FOLDS):
        out = evidence.fold == fold
        if not out.any():
            continue
        fit, held = evidence.fit(without=fold), labelled.rows(out)
        for rung, chances in predicted.items():
            adaptation = adaptation_of(catalogue, evidence, fit, (rung,) * count)
            chances[out] = adaptation.of_answers(chance(classifier, held, adaptation))
        common[out] = _yes_shares(answers[~out])
    for column in np.flatnonzero(included):
        known = labelled.known[:, column]
        rungs[column] = _rung(
            answers[known, column],
            {rung: each[known, column] for rung, each in predicted.items()},
            common[known, column],
            labelled.golfers[known],
            evidence.fold[known],
        )
    return tuple(rungs)


def _rung(
    answers: Array,
    chances: dict[Rung, Array],
    common: Array,
    golfers: NDArray[np.object_],
    fold: NDArray[np.int64],
) -> Rung:
    """The rung of one fault, by its answers and what each rung gives for them; `common` is how common the fault is."""
    losses = {rung: log_losses(answers, each) for rung, each in chances.items()}
    plain = chances["catalogue"]
    once = np.ones((1, len(answers)))
    ranking = [
        rung
        for rung, each in chances.items()
        if not precision_gain(answers, plain, each, once, fold)[0] < -PRECISION_MARGIN
    ]
    best = min(ranking, key=lambda rung: float(losses[rung].sum()))
    simplest = next(
        rung for rung in ranking if rung == best or not _shown(losses[rung] - losses[best], golfers)
    )
    return simplest if _shown(log_losses(answers, common) - losses[simplest], golfers) else "catalogue"


def _shown(gains: Array, golfers: NDArray[np.object_]) -> bool:
    """Whether what is gained is more than a standard error over golfers."""
    by_golfer = np.bincount(np.unique(golfers, return_inverse=True)[1], gains)
    return bool(by_golfer.sum() > by_golfer.std() * np.sqrt(len(by_golfer)))


def _yes_shares(answers: Array) -> Array:
    known = np.isfinite(answers)
    return np.asarray((np.nansum(answers, axis=0) + 0.5) / (known.sum(axis=0) + 1))
