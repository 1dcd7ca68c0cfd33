"""A small generated season, classified: what the commands of practice start from."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from care_fakes import ALL_NO

from faultml.classifier.assess import Assessor
from faultml.faults.catalogue import Catalogue
from faultml.recordings.write import write_season
from faultml.season import classify_season
from faultml.synthetic.season import Recipe, draw_season

WELL = {"pain": "none", "birth_year": "1990", "level": "county", **ALL_NO}


@pytest.fixture(scope="session")
def season(tmp_path_factory: pytest.TempPathFactory, catalogue: Catalogue, assessor: Assessor) -> Path:
    """Two players who are well, with their results in ``results``."""
    folder = tmp_path_factory.mktemp("practice")
    recipe = Recipe(golfers=2, sessions=2, swings=6, seed=11, non_swing_share=0)
    write_season(draw_season(catalogue, recipe).batch, folder / "season" / "season.parquet")
    rows = [{"player": player, **WELL} for player in ("p001", "p002")]
    pd.DataFrame(rows).to_csv(folder / "season" / "roster.csv", index=False)
    classify_season([folder / "season"], folder / "results", assessor=assessor)
    return folder
