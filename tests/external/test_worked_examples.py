"""Worked cases of faults.md. Common practice, no source."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from faultml.classifier.assess import Assessment, Assessor


def call(assessor: Assessor, assessed: Assessment, fault: str, measure: float) -> str:
    """What is said of a swing whose measure is known to be this much, to the half of a degree or so."""
    column = assessor.catalogue.ids.index(fault)
    row = int(np.flatnonzero(assessed.status[:, column] == "assessed")[0])
    mean, sd = assessed.posterior.mean.copy(), assessed.posterior.sd.copy()
    mean[row, column], sd[row, column] = measure, 0.1 * assessor.catalogue.softness_by_fault[column]
    guard = np.full_like(assessed.posterior.guard_mean, -30.0)
    posterior = replace(assessed.posterior, mean=mean, sd=sd, guard_mean=guard)
    chance = assessor.bundle.classifier.probability(posterior, assessed.edges)
    probability = np.where(assessed.status == "assessed", chance, np.nan)
    calls = assessor.calls(replace(assessed, posterior=posterior, probability=probability)).texts
    return str(calls[row, column])


def test_37_degrees_toward_flexion_is_a_clear_bowed_top(assessor: Assessor, assessed: Assessment) -> None:
    assert call(assessor, assessed, "flexed_top", 37.0) == "yes"


def test_a_swing_that_stays_where_it_was_set_up_is_no_bowed_top(
    assessor: Assessor, assessed: Assessment
) -> None:
    assert call(assessor, assessed, "flexed_top", 0.0) == "no"


def test_three_degrees_past_an_edge_is_borderline(assessor: Assessor, assessed: Assessment) -> None:
    for fault in assessor.catalogue.faults:
        if fault.unit == "deg":
            measure = fault.edge + fault.sign * 3.0
            assert call(assessor, assessed, fault.id, measure) == "borderline", fault.id


@pytest.mark.parametrize("past", [2.5, -2.5])
def test_far_on_either_side_of_every_edge_there_is_no_doubt(
    past: float, assessor: Assessor, assessed: Assessment
) -> None:
    for fault, softness in zip(assessor.catalogue.faults, assessor.catalogue.softness_by_fault, strict=True):
        measure = fault.edge + fault.sign * past * softness
        assert call(assessor, assessed, fault.id, measure) == ("yes" if past > 0 else "no"), fault.id


def test_the_ball_has_no_say(assessor: Assessor, assessed: Assessment) -> None:
    """`flexed_top` is what it is whatever the ball did: the shot changes no probability."""
    batch = assessed.batch
    table = batch.table.copy()
    table["shot"] = [("hook",)] * len(table)
    again = assessor.assess(replace(batch, table=table))
    np.testing.assert_array_equal(again.probability, assessed.probability)
