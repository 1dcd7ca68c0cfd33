"""Tables of sixteen fixed recordings, as the engine of version 0.1's first model wrote them in double precision.

They were written before the kernels and the conversion of the bundle, so that a change of the engine that moves an
answer is seen, whatever the tests of its parts say. A new training makes them anew.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from faultml.classifier.assess import Assessor
from faultml.classifier.tables import faults_frame, swings_frame
from faultml.faults.catalogue import Catalogue
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import draw_season

REFERENCE = Path(__file__).parent / "data" / "reference_tables.json"

TOLERANCE: dict[str, float] = {"probability": 2e-5, "late_save_probability": 1e-4, "_s": 2e-5, "_deg": 2e-3}
"""Absolute, by the end of a column's name: single precision against double. Others, in degrees or shares, 2e-3."""


def tolerance(name: str) -> float:
    return next((value for end, value in TOLERANCE.items() if name.endswith(end)), 2e-3)


@pytest.fixture(scope="module")
def tables(assessor: Assessor, catalogue: Catalogue) -> dict[str, Any]:
    recipe = Recipe(golfers=4, sessions=1, swings=4, seed=2024, non_swing_share=0.2)
    assessment = assessor.assess(draw_season(catalogue, recipe).batch)
    return {"swings": swings_frame(assessment), "faults": faults_frame(assessor, assessment)}


@pytest.mark.parametrize("table", ["swings", "faults"])
def test_the_tables_are_those_of_before(tables: dict[str, Any], table: str) -> None:
    expected = json.loads(REFERENCE.read_text(encoding="utf-8"))[table]
    for name, values in expected.items():
        found = tables[table][name].tolist()
        if any(isinstance(value, float) for value in values):
            before, now = np.array(values, dtype=float), np.array(found, dtype=float)
            np.testing.assert_allclose(now, before, rtol=0, atol=tolerance(name), err_msg=name)
        else:
            assert [list(value) if isinstance(value, tuple) else value for value in found] == values, name
