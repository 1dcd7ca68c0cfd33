"""How surely a contact mark is placed travels with it: from the season table to what the results say."""

from __future__ import annotations

import numpy as np
import pytest
from season_fakes import fake_season, write_parquet

from faultml.classifier.assess import Assessor
from faultml.classifier.bundle import load_bundle
from faultml.classifier.tables import swings_frame
from faultml.faults.catalogue import load_catalogue
from faultml.motion.window import MARK_SD_S, make_windows
from faultml.recordings.read import open_season


@pytest.fixture(scope="module")
def assessor() -> Assessor:
    return Assessor(load_bundle(), load_catalogue())


@pytest.fixture
def batch(tmp_path):
    season = fake_season(4)
    season["impact_s"] = [1.36, 1.36, 1.36, None]
    season["impact_sd_s"] = [None, 0.006, 0.0001, 0.03]
    season["impact_from"] = [None, "shock", "coach", "shock"]
    (batch,) = open_season([write_parquet(season, tmp_path / "a.parquet")]).batches()
    return batch


def test_the_stated_doubt_is_the_marks_and_none_is_surer_than_any_recorders(batch) -> None:
    assert batch.table["impact_from"].tolist() == ["recorder", "shock", "coach", ""]
    assert batch.table["impact_sd_s"].tolist()[1] == 0.006 and np.isnan(batch.table["impact_sd_s"].iloc[3])
    assert make_windows(batch).mark_sd_s.tolist() == [MARK_SD_S, 0.006, MARK_SD_S, MARK_SD_S]


def test_results_say_what_placed_the_impact_and_how_surely(batch, assessor) -> None:
    swings = swings_frame(assessor.assess(batch))
    assert swings["impact_from"].tolist() == ["recorder", "shock", "coach", "inferred"]
    assert swings["impact_sd_s"].tolist()[:3] == [MARK_SD_S, 0.006, MARK_SD_S]
    assert swings["impact_marked"].tolist() == [True, True, True, False]
    assert swings["impact_sd_s"].iloc[3] not in (MARK_SD_S, 0.03)


def test_a_shock_far_from_the_inferred_impact_is_left_aside_and_another_mark_is_not(
    tmp_path, assessor
) -> None:
    season = fake_season(3)
    (free,) = open_season([write_parquet(season, tmp_path / "free.parquet")]).batches()
    inferred_s = swings_frame(assessor.assess(free))["impact_s"].to_numpy(float)
    season["impact_s"] = inferred_s + np.array([0.12, 0.12, 0.02])
    season["impact_from"] = ["shock", "recorder", "shock"]
    (batch,) = open_season([write_parquet(season, tmp_path / "a.parquet")]).batches()
    swings = swings_frame(assessor.assess(batch))
    assert swings["impact_from"].tolist() == ["inferred", "recorder", "shock"]
    assert ["contact-mark-ignored" in codes for codes in swings["findings"]] == [True, False, False]


def test_nothing_is_promised_of_a_mark_less_sure_than_a_recorders(tmp_path, assessor) -> None:
    season = fake_season(2)
    season["impact_s"], season["impact_sd_s"] = 1.36, [0.002, 0.004]
    (batch,) = open_season([write_parquet(season, tmp_path / "a.parquet")]).batches()
    found = assessor.assess(batch)
    promised = np.isfinite(assessor.promised(found)).any(axis=1)
    assert promised.tolist() == [True, False]
