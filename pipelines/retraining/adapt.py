"""Learn a coach adaptation from their answers, fault by fault; what a fault's own answers do not show stays as it is.

A fault is moved only where the answers to it say so: an edge of the coach's own must be likelier than `MIN_INCLUSION`
(spike and slab), and the catalogue's must be refuted by a likelihood ratio test. The faults are looked at only when the
number of labelled swings has doubled, on the swings judged first. `ERROR_RATE` is spent over the looks, half of what is
left at each, and over the faults in equal shares (Bonferroni): it bounds the chance that anything is ever moved of a
coach whose edges are the catalogue's. How far up the ladder a fault goes is for golfers held out to say
(`faultml.pipelines.retraining.ladder`). What is then learned of it is learned from all answers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from faultml.classifier.coach_adaptation import Rung
from faultml.faults.catalogue import Catalogue
from faultml.pipelines.retraining.coherence import coherence
from faultml.pipelines.retraining.evidence import Evidence, Fit, gather_evidence
from faultml.pipelines.retraining.labelled import (
    Adaptation,
    Labelled,
    chance,
    default_adaptation,
)
from faultml.pipelines.retraining.ladder import adaptation_of, choose_rungs
from faultml.pipelines.retraining.unrelated import related_weights
from faultml.pipelines.retraining.unsure import how_unsure
from faultml.runtime.faults import FaultModel

Array = NDArray[np.float64]

FIRST_LOOK: Final = 50
"""Labelled swings from which on anything may be moved; the next looks are at twice as many, and so on."""
FEWEST_GOLFERS: Final = 20
"""To hold golfers out."""
ERROR_RATE: Final = 0.05
"""Chance that anything is ever moved of a coach whose edges are the catalogue's."""
MIN_INCLUSION: Final = 0.9
MAX_UNRELATED: Final = 0.3
"""Share of answers that may be unrelated."""
_RELATED: Final = 0.99

UNRELATED: Final = (
    "{share:.0%} of the answers do not go with what is measured; look for a sheet whose rows are shifted"
)


class Learned(NamedTuple):
    """What was learned.

    Attributes
    ----------
    adaptation
        What is used.
    evidence
        Of all answers, from which golfers held out are predicted.
    ridges
        ``(n_faults,)`` prior SD of the coefficients of a fault on the last rung, 0 for the others.
    """

    adaptation: Adaptation
    evidence: Evidence
    ridges: Array


class Gathered(NamedTuple):
    """What all answers say.

    Attributes
    ----------
    evidence, fit
        Fault by fault.
    band, abstain_rate
        See `faultml.pipelines.retraining.unsure`.
    weights
        ``(n_swings,)`` what each swing counts.
    unrelated
        Share of answers that do not go with what is measured.
    """

    evidence: Evidence
    fit: Fit
    band: float
    abstain_rate: float
    weights: Array
    unrelated: float

    def with_calibrations(
        self, catalogue: Catalogue, classifier: FaultModel, labelled: Labelled, rungs: Sequence[Rung]
    ) -> Gathered:
        """The same with the calibrations of the faults on that rung."""
        some = np.array([rung == "calibration" for rung in rungs])
        if not some.any():
            return self
        more = gather_evidence(
            catalogue,
            classifier,
            replace(labelled, answers=np.where(some, labelled.answers, np.nan)),
            band=self.band,
            abstain_rate=self.abstain_rate,
            row_weights=self.weights,
            calibrations=np.flatnonzero(some).tolist(),
        )
        evidence = replace(self.evidence, sums=self.evidence.sums | more.sums)
        return self._replace(evidence=evidence, fit=evidence.fit())


def learn(
    catalogue: Catalogue,
    classifier: FaultModel,
    labelled: Labelled,
    rungs: tuple[Rung, ...] | None = None,
) -> Learned:
    """A coach adaptation, with the evidence; the `rungs` of the latest look may be given where they are known."""
    if rungs is None:
        rungs = looked_at(catalogue, classifier, labelled)
    gathered = gather(catalogue, classifier, labelled)
    refused = ""
    if gathered.unrelated > MAX_UNRELATED:
        refused = UNRELATED.format(share=gathered.unrelated)
    elif any(rung != "catalogue" for rung in rungs):
        held = coherence(catalogue, classifier, labelled, gathered.fit)
        refused = held.why
        rungs = tuple(
            "catalogue" if drifts else rung for rung, drifts in zip(rungs, held.drifting, strict=True)
        )
    if refused:
        rungs = default_adaptation(catalogue).rungs
    gathered = gathered.with_calibrations(catalogue, classifier, labelled, rungs)
    adaptation = replace(
        adaptation_of(catalogue, gathered.evidence, gathered.fit, rungs),
        band=gathered.band,
        abstain_rate=gathered.abstain_rate,
        unrelated_share=gathered.unrelated,
        refused=refused,
    )
    return Learned(adaptation, gathered.evidence, np.zeros(len(catalogue.ids)))


def look(swings: int) -> int:
    """How many labelled swings were looked at last; 0 before the first look."""
    return FIRST_LOOK << int(np.log2(swings / FIRST_LOOK)) if swings >= FIRST_LOOK else 0


def latest_look(labelled: Labelled) -> Labelled:
    """The swings that were looked at last: those judged first, `FIRST_LOOK` or twice or four times as many ..."""
    return labelled.first(look(int(labelled.known.any(axis=1).sum())))


def looked_at(catalogue: Catalogue, classifier: FaultModel, labelled: Labelled) -> tuple[Rung, ...]:
    """How far each fault goes, by the answers of the latest look."""
    looked = latest_look(labelled)
    if len(np.unique(looked.golfers)) < FEWEST_GOLFERS:
        return default_adaptation(catalogue).rungs
    gathered = gather(catalogue, classifier, looked)
    included = np.zeros(len(catalogue.ids), dtype=bool)
    error_rate = ERROR_RATE * FIRST_LOOK / (2 * look(int(labelled.known.any(axis=1).sum())))
    for column, fit in gathered.fit.faults.items():
        refuted = _p_value(fit.log_likelihood_ratio) * len(catalogue.ids) <= error_rate
        included[column] = refuted and fit.inclusion > MIN_INCLUSION
    tried: tuple[Rung, ...] = tuple("calibration" if each else "catalogue" for each in included)
    evidence = gathered.with_calibrations(catalogue, classifier, looked, tried).evidence
    return choose_rungs(catalogue, classifier, looked, evidence, included)


def _p_value(log_likelihood_ratio: float) -> float:
    """Half of chi2(1), half of chi2(2): a place and a softness, which lies at its bound (Self and Liang 1987)."""
    twice = 2 * max(log_likelihood_ratio, 0.0)
    return float(chi2.sf(twice, 1) + chi2.sf(twice, 2)) / 2


def gather(catalogue: Catalogue, classifier: FaultModel, labelled: Labelled) -> Gathered:
    """Sum up answers, those that do not go with what is measured counting less."""
    band, abstain_rate = how_unsure(catalogue, classifier, labelled)
    evidence = gather_evidence(catalogue, classifier, labelled, band=band, abstain_rate=abstain_rate)
    fit = evidence.fit()
    weights = _related(catalogue, classifier, labelled, evidence, fit)
    if weights.min(initial=1.0) < _RELATED:
        evidence = gather_evidence(
            catalogue, classifier, labelled, band=band, abstain_rate=abstain_rate, row_weights=weights
        )
        fit = evidence.fit()
    related, answers = 0.0, labelled.known.sum(axis=0)
    for column, seen in fit.faults.items():
        share = seen.inclusion * seen.unrelated[2] + (1 - seen.inclusion) * seen.unrelated[0]
        related += (1 - share) * float(weights[labelled.known[:, column]].sum())
    unrelated = 1 - related / answers.sum() if answers.any() else 0.0
    return Gathered(evidence, fit, band, abstain_rate, weights, float(unrelated))


def _related(
    catalogue: Catalogue, classifier: FaultModel, labelled: Labelled, evidence: Evidence, fit: Fit
) -> Array:
    """What each swing counts, by the chances that all answers together give."""
    if not fit.faults:
        return np.ones(len(labelled.golfers))
    count = len(catalogue.ids)
    plain, own = (adaptation_of(catalogue, evidence, fit, (rung,) * count) for rung in ("catalogue", "edges"))
    plain_share, own_share = 1 - own.inclusion, own.inclusion
    either = plain_share * plain.of_answers(chance(classifier, labelled, plain))
    either = either + own_share * own.of_answers(chance(classifier, labelled, own))
    return related_weights(labelled, either, own.yes_share)
