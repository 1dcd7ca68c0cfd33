"""How near an edge a coach is unsure, and how often wherever the swing lies."""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.special import logsumexp
from scipy.stats import beta, norm

from faultml.faults.catalogue import Catalogue
from faultml.pipelines.retraining.answer_chances import EDGE_PRIOR, answer_chances
from faultml.pipelines.retraining.labelled import Labelled
from faultml.runtime.faults import FaultModel

_BAND: Final = np.array([0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.65, 0.8, 1.0, 1.4])
_BAND_PRIOR: Final = np.array(
    [0.2, *0.8 * norm.pdf(_BAND[1:], 0.3, 0.4) / norm.pdf(_BAND[1:], 0.3, 0.4).sum()]
)
_ABSTAIN_RATE: Final = np.array([0.001, 0.01, 0.03, 0.05, 0.08, 0.12, 0.16, 0.2, 0.3, 0.5, 0.7])
_ABSTAIN_RATE_PRIOR: Final = beta.pdf(_ABSTAIN_RATE, 1, 12)
_LAPSE_RATE: Final = (0.01, 0.05, 0.15)
_MAX_SWINGS: Final = 250
_EVERY: Final = 12
"""Of the cells of an edge, one in so many: a rough grid does, as the rest is only summed over."""


def how_unsure(catalogue: Catalogue, classifier: FaultModel, labelled: Labelled) -> tuple[float, float]:
    """The likeliest band and abstain rate, on a rough grid of the rest; (0, 0) where nobody was unsure."""
    if not (labelled.answered & ~labelled.known).any():
        return 0.0, 0.0
    swings = np.flatnonzero(labelled.answered.any(axis=1))
    labelled = labelled.rows(swings[:: -(-len(swings) // _MAX_SWINGS)])
    found = np.zeros((len(_BAND), len(_ABSTAIN_RATE), len(_LAPSE_RATE)))
    for k, band in enumerate(_BAND):
        for column in np.flatnonzero(labelled.answered.any(axis=0)):
            given = answer_chances(
                catalogue, classifier, labelled, int(column), band=float(band), every=_EVERY
            )
            right = np.where(given.yes[:, None], given.over, given.short)[:, 1:]
            wrong = np.where(given.yes[:, None], given.short, given.over)[:, 1:]
            sure = [given.weight @ np.log((1 - lapse) * right + lapse * wrong) for lapse in _LAPSE_RATE]
            unsure = [
                given.unsure_weight @ np.log(rate + (1 - rate) * given.within[:, 1:])
                + given.weight.sum() * np.log1p(-rate)
                for rate in _ABSTAIN_RATE
            ]
            each = np.array(unsure)[:, None] + np.array(sure) + EDGE_PRIOR[::_EVERY]
            found[k] += logsumexp(each, axis=-1)
    likely = logsumexp(found, axis=-1) + np.log(_BAND_PRIOR)[:, None] + np.log(_ABSTAIN_RATE_PRIOR)
    at, other = np.unravel_index(likely.argmax(), likely.shape)
    return float(_BAND[at]), float(_ABSTAIN_RATE[other])
