"""Which swings' answers do not go with what is measured: a mixture over sheets, occasions and golfers.

A sheet filled in for other swings, or a golfer taken for another, is unrelated as a whole. Each unit is either related,
and its answers have the chances learned from all, or not, and they have the shares of yes among all; how many are not
is learned, too. A swing counts as much as it is likely that none of its units is unrelated.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

from faultml.pipelines.retraining.labelled import Labelled, golfer_weights, log_losses

Array = NDArray[np.float64]

_PRIOR: Final = (0.5, 19.5)
"""Unrelated units beforehand, as if so many of so many had been seen."""
_ROUNDS: Final = 20


def related_weights(labelled: Labelled, predicted: Array, yes_share: Array) -> Array:
    """What each swing counts, ``(n_swings,)``.

    Parameters
    ----------
    predicted
        ``(n_swings, n_faults)`` chances of a yes where answers go with the swings.
    yes_share
        ``(n_faults,)`` among all answers.
    """
    answers = np.where(labelled.known, labelled.answers, np.nan)
    chances = np.broadcast_to(yes_share, answers.shape)
    gained = np.nansum(log_losses(answers, predicted) - log_losses(answers, chances), axis=1)
    gained = gained * golfer_weights(labelled.golfers)
    related = np.ones(len(gained))
    for unit in (labelled.sheets, labelled.occasions, labelled.golfers):
        names, owner = np.unique(unit, return_inverse=True)
        against = np.bincount(owner, gained, minlength=len(names))
        share = _PRIOR[0] / sum(_PRIOR)
        for _ in range(_ROUNDS):
            unrelated = expit(logit(share) + against)
            share = (unrelated.sum() + _PRIOR[0]) / (len(names) + sum(_PRIOR))
        related = related * (1 - unrelated[owner])
    return related
