"""What holds for every test: Hypothesis tries the same examples each time, and no test fails for being slow.

One small generated season and its assessment by the model that comes along are shared by all who need one; what they
take is imported only then.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

if TYPE_CHECKING:
    from faultml.classifier.assess import Assessment, Assessor
    from faultml.classifier.bundle import Bundle
    from faultml.faults.catalogue import Catalogue
    from faultml.synthetic.season import SyntheticSeason

settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")


@pytest.fixture(scope="session")
def catalogue() -> Catalogue:
    from faultml.faults.catalogue import load_catalogue

    return load_catalogue()


@pytest.fixture(scope="session")
def generated(catalogue: Catalogue) -> SyntheticSeason:
    """300 recordings of ten generated players, with the truth about them."""
    from faultml.synthetic.recipe import Recipe
    from faultml.synthetic.season import draw_season

    return draw_season(catalogue, Recipe(golfers=10, sessions=3, swings=10, seed=5))


@pytest.fixture(scope="session")
def bundle() -> Bundle:
    """The model that comes along."""
    from faultml.classifier.bundle import load_bundle

    return load_bundle()


@pytest.fixture(scope="session")
def assessor(bundle: Bundle, catalogue: Catalogue) -> Assessor:
    from faultml.classifier.assess import Assessor

    return Assessor(bundle, catalogue)


@pytest.fixture(scope="session")
def assessed(assessor: Assessor, generated: SyntheticSeason) -> Assessment:
    """The 300 recordings, assessed as one batch."""
    return assessor.assess(generated.batch)
