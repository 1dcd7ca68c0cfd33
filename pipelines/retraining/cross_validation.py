"""An adaptation cross-validated over golfers."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.faults.catalogue import Catalogue
from faultml.pipelines.retraining.covariates import learn_covariate_adaptation
from faultml.pipelines.retraining.labelled import (
    Labelled,
    believed,
    chance,
    default_adaptation,
    golfer_folds,
    log_losses,
)
from faultml.runtime.faults import FaultModel

Array = NDArray[np.float64]

FEWEST_GOLFERS: Final = 5
"""To hold golfers out."""
_Z95: Final = 1.96


def cross_validate(catalogue: Catalogue, classifier: FaultModel, labelled: Labelled) -> dict[str, float]:
    """Log losses on golfers held out: ``default``, ``adapted``, their ``difference``, and its ``low`` and ``high``.

    Nothing where golfers are too few to hold any out.
    """
    if len(np.unique(labelled.golfers)) < FEWEST_GOLFERS:
        return {}
    plain, own = held_out_losses(catalogue, classifier, labelled)
    mean, low, high = difference(own, plain, labelled.golfers)
    figures = (float(np.nanmean(plain)), float(np.nanmean(own)), mean, low, high)
    names = ("default", "adapted", "difference", "low", "high")
    return {name: round(float(value), 5) for name, value in zip(names, figures, strict=True)}


def improves(tried: dict[str, float]) -> bool:
    """Whether it predicts better by a standard error over golfers; with too few to try it on, it is believed.

    Where a coach goes by the catalogue's edges there is nothing to gain, and each moved edge costs a little.
    """
    return not tried or tried["difference"] + (tried["high"] - tried["low"]) / (2 * _Z95) <= 0


def held_out_losses(
    catalogue: Catalogue, classifier: FaultModel, labelled: Labelled, *, folds: int = 5, seed: int = 0
) -> tuple[Array, Array]:
    """Log losses of the default model and of an adaptation to the other golfers, ``(n_swings, n_faults)`` each."""
    answers = np.where(labelled.known, labelled.answers, np.nan)
    plain, own = held_out_chances(catalogue, classifier, labelled, folds=folds, seed=seed)
    return log_losses(answers, plain), log_losses(answers, own)


def held_out_chances(
    catalogue: Catalogue, classifier: FaultModel, labelled: Labelled, *, folds: int = 5, seed: int = 0
) -> tuple[Array, Array]:
    """Chances of a yes as the default model and an adaptation learned on the other golfers tell them.

    Slips are part of both forecasts: of the default's too, so that a careless coach speaks for neither.
    """
    fold = golfer_folds(labelled.golfers, folds=folds, seed=seed)
    plain, own = np.full(labelled.past.shape, np.nan), np.full(labelled.past.shape, np.nan)
    for k in np.unique(fold):
        adaptation = learn_covariate_adaptation(catalogue, classifier, labelled.rows(fold != k))
        out = labelled.rows(fold == k)
        for chances, used in ((plain, default_adaptation(catalogue)), (own, believed(catalogue, adaptation))):
            chances[fold == k] = adaptation.lapse_rate + (1 - 2 * adaptation.lapse_rate) * chance(
                classifier, out, used
            )
    return plain, own


def difference(own: Array, plain: Array, golfers: NDArray[np.object_], *, seed: int = 0) -> tuple[float, ...]:
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
