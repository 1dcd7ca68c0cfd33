"""Swings are assessed without the packages that only learning needs: they cost seconds before the first answer."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from faultml.faults.catalogue import Catalogue
from faultml.recordings.write import write_season
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import draw_season

HEAVY = (
    "sklearn",
    "skops",
    "joblib",
    "scipy.stats",
    "scipy.spatial",
    "scipy.optimize",
    "threadpoolctl",
    "tsfresh",
)

ASSESS = """
import sys
import numpy as np
import faultml

t_s = np.arange(0, 2.5, 0.005)
swing = {"t_s": t_s, "flexion_deg": 30 * np.sin(3 * t_s), "ulnar_deg": 20 * np.sin(3 * t_s)}
answered = faultml.assess_swings([swing])
assert len(answered.faults)
print(*(name for name in sys.argv[1:] if name in sys.modules))
"""


CLASSIFY = """
import sys
from faultml.cli import main
try:
    main(["classify", "season.parquet", "--out", "results", "--quiet"])
except SystemExit as end:
    assert end.code in (0, 3), end.code
print(*(name for name in sys.argv[1:] if name in sys.modules))
"""


@pytest.fixture(scope="module")
def season(catalogue: Catalogue, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("light")
    drawn = draw_season(catalogue, Recipe(golfers=1, sessions=1, swings=4, seed=3, rate_hz=100.0))
    write_season(drawn.batch, folder / "season.parquet")
    return folder


@pytest.mark.parametrize("code", [ASSESS, CLASSIFY], ids=["assess_swings", "classify"])
def test_nothing_that_only_learns_is_imported(code: str, season: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", code, *HEAVY], capture_output=True, text=True, timeout=300, cwd=season
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == []
