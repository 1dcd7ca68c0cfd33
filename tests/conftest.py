"""What holds for every test: Hypothesis tries the same examples each time, and no test fails for being slow.

One small generated season and its assessment by the model that comes along are shared by all who need one.
"""

from __future__ import annotations

import pytest
from hypothesis import settings

from faultml.classifier.assess import Assessment, Assessor
from faultml.classifier.bundle import Bundle, load_bundle
from faultml.faults.catalogue import Catalogue, load_catalogue
from faultml.synthetic.season import Recipe, SyntheticSeason, draw_season

settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")

SMALL_SEASON = Recipe(golfers=10, sessions=3, swings=10, seed=5)


@pytest.fixture(scope="session")
def catalogue() -> Catalogue:
    return load_catalogue()


@pytest.fixture(scope="session")
def generated(catalogue: Catalogue) -> SyntheticSeason:
    """300 recordings of ten generated players, with the truth about them."""
    return draw_season(catalogue, SMALL_SEASON)


@pytest.fixture(scope="session")
def bundle() -> Bundle:
    """The model that comes along."""
    return load_bundle()


@pytest.fixture(scope="session")
def assessor(bundle: Bundle, catalogue: Catalogue) -> Assessor:
    return Assessor(bundle, catalogue)


@pytest.fixture(scope="session")
def assessed(assessor: Assessor, generated: SyntheticSeason) -> Assessment:
    """The 300 recordings, assessed as one batch."""
    return assessor.assess(generated.batch)
