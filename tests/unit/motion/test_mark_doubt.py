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
