"""Yes, borderline and no, from probabilities and measures set by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from faultml.classifier.assess import NO_BELOW, YES_PAST_SOFTNESS, Assessment, Assessor

PAST = YES_PAST_SOFTNESS


def calls(assessor: Assessor, assessed: Assessment, probability: float, past_softness: float) -> np.ndarray:
    """The calls of all faults of the swings without a promise of their own, all set to the same."""
    catalogue = assessor.catalogue
    mean = assessed.edges + catalogue.signs * past_softness * catalogue.softness_by_fault
    known = replace(
        assessed,
        posterior=replace(assessed.posterior, mean=mean),
        probability=np.where(assessed.fault_assessed, probability, np.nan),
    )
    return assessor.calls(known).texts[assessed.fault_assessed]


@pytest.mark.parametrize(
    ("probability", "past_softness", "expected"),
    [
        pytest.param(0.99, PAST + 0.01, "yes", id="likely and clear"),
        pytest.param(0.99, PAST - 0.01, "borderline", id="likely, not clear of the edge"),
        pytest.param(0.49, PAST + 1.0, "borderline", id="clear, less likely than not"),
        pytest.param(NO_BELOW, 0.0, "borderline", id="at the lower threshold"),
        pytest.param(NO_BELOW - 1e-6, 0.0, "no", id="below the lower threshold"),
        pytest.param(NO_BELOW - 1e-6, PAST + 1.0, "no", id="unlikely, whatever the measure"),
    ],
)
def test_a_yes_needs_probability_and_distance(
    assessor: Assessor, assessed: Assessment, probability: float, past_softness: float, expected: str
) -> None:
    assert set(calls(assessor, assessed, probability, past_softness)) == {expected}


def test_a_promise_raises_the_threshold_of_its_fault(assessor: Assessor, assessed: Assessment) -> None:
    """A flag comes from the promised threshold on, by contact marked or not, and never below one half."""
    catalogue, promises = assessor.catalogue, assessor.bundle.manifest.promises
    assert promises is not None
    promised_from = promises.thresholds(catalogue.ids, assessor.false_share)
    marked = assessed.windows.marked.astype(int)
    clear = assessed.edges + catalogue.signs * (PAST + 1) * catalogue.softness_by_fault
    for step, expected in ((1e-6, "yes"), (-1e-6, "borderline")):
        at = np.fmax(promised_from[marked], 0.5) + step
        known = replace(
            assessed,
            posterior=replace(assessed.posterior, mean=clear),
            probability=np.where(assessed.fault_assessed, at, np.nan),
        )
        assert set(assessor.calls(known).texts[assessed.fault_assessed]) == {expected}
    assert (promised_from > 0.5).any(), "a fault is promised from a higher threshold only"


def test_nothing_is_called_where_nothing_was_assessed(assessor: Assessor, assessed: Assessment) -> None:
    assert set(assessor.calls(assessed).texts[~assessed.fault_assessed]) == {""}
