"""A stated doubt of the sensor's turn reaches the probabilities; what is not stated changes nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from faultml.classifier.assess import Assessment, Assessor
from faultml.classifier.mounting import TRAINED_SD_DEG
from faultml.recordings.swings import SwingBatch
from faultml.synthetic.season import SyntheticSeason
from faultml.synthetic.sensors import MOUNTING_SD_DEG


def stated(batch: SwingBatch, sd_deg: float) -> SwingBatch:
    return replace(batch, table=batch.table.assign(mounting_sd_deg=sd_deg))


@pytest.fixture(scope="module")
def batch(generated: SyntheticSeason) -> SwingBatch:
    whole = generated.batch
    rows = slice(0, 60)
    table = whole.table.iloc[rows].reset_index(drop=True)
    return SwingBatch(table, whole.t_s[rows], whole.angles_deg[rows], whole.n_samples[rows])


def test_the_model_has_learned_from_such_recorders() -> None:
    assert MOUNTING_SD_DEG["about_forearm"] == TRAINED_SD_DEG


@pytest.mark.parametrize("sd_deg", [np.nan, 0.0, TRAINED_SD_DEG])
def test_nothing_changes_where_no_more_doubt_is_stated(
    assessor: Assessor, batch: SwingBatch, assessed: Assessment, sd_deg: float
) -> None:
    again = assessor.assess(stated(batch, sd_deg))
    np.testing.assert_array_equal(again.posterior.sd, assessor.assess(batch).posterior.sd)
    np.testing.assert_allclose(again.probability, assessed.probability[:60], atol=1e-9)


def test_more_doubt_widens_every_measure_and_pulls_sure_answers_to_the_middle(
    assessor: Assessor, batch: SwingBatch
) -> None:
    runs = [assessor.assess(stated(batch, sd_deg)) for sd_deg in (6.0, 10.0, 15.0, 25.0)]
    sds = np.stack([run.posterior.sd for run in runs])
    assert np.all(np.diff(sds, axis=0) >= 0)
    for run in runs:
        np.testing.assert_array_equal(run.posterior.mean, runs[0].posterior.mean)
    ids = assessor.catalogue.ids
    # Away from the calibration's own bend a wider measure is a less sure one.
    raised = ids.index("raised_wrist_impact")
    distance = np.abs(np.stack([run.probability[:, raised] for run in runs]) - 0.5)
    sure = np.isfinite(distance[0]) & (distance[0] > 0.3)
    assert sure.sum() > 20
    assert np.all(np.diff(distance[:, sure], axis=0) <= 1e-9)
    chances = np.stack([run.probability for run in (runs[0], runs[2])])
    assert np.nanmax(np.abs(chances[0] - 0.5) - np.abs(chances[1] - 0.5)) > 0.1
    # The forearm's roll is read off by a constant, which D does not see.
    rolls = ids.index("roll_over")
    np.testing.assert_allclose(sds[:, :, rolls], sds[:1, :, rolls].repeat(4, axis=0), atol=1e-12)


def test_only_the_swings_that_state_it_change(assessor: Assessor, batch: SwingBatch) -> None:
    mixed = stated(batch, np.nan)
    mixed.table.loc[7, "mounting_sd_deg"] = 15.0
    one, other = assessor.assess(batch).posterior.sd, assessor.assess(mixed).posterior.sd
    changed = (one != other).any(axis=1)
    assert changed.tolist() == [row == 7 for row in range(60)]


def test_the_added_doubt_is_the_difference_of_the_variances(assessor: Assessor, batch: SwingBatch) -> None:
    """What 10 degrees add beyond the trained 6 is 10**2 - 6**2 = 64, what 15 add 189, what 25 add 589."""
    trained, *wider = [
        assessor.assess(stated(batch, sd_deg)).posterior.sd ** 2
        for sd_deg in (TRAINED_SD_DEG, 10.0, 15.0, 25.0)
    ]
    assert TRAINED_SD_DEG == 6.0
    least = wider[0] - trained
    moved = least > 0.1
    assert moved.mean() > 0.3
    for variance, factor in zip(wider[1:], (189 / 64, 589 / 64), strict=True):
        np.testing.assert_allclose((variance - trained)[moved], factor * least[moved], rtol=1e-6)
