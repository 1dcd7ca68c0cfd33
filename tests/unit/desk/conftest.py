from __future__ import annotations

from pathlib import Path

import pytest
from desk_fakes import copied

from faultml.faults.catalogue import load_catalogue
from faultml.season import classify_season
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import iterate_golfers, roster_golfers
from faultml.synthetic.tables import draw_roster
from faultml.synthetic.write import write_synthetic


@pytest.fixture(scope="session")
def shared_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six generated players, classified, as a desk keeps them."""
    folder = tmp_path_factory.mktemp("shared-desk")
    catalogue, recipe = load_catalogue(), Recipe(golfers=6, sessions=2, swings=8, seed=11)
    golfers = roster_golfers(catalogue, recipe)
    write_synthetic(
        iterate_golfers(catalogue, recipe, golfers), draw_roster(golfers, recipe), folder, "parquet"
    )
    classify_season([folder / "season"], folder / "results")
    return folder


@pytest.fixture
def folder(shared_folder: Path, tmp_path: Path) -> Path:
    return copied(shared_folder, tmp_path / "desk")
