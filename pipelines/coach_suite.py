"""Generated golfers as the model measures them, and simulated coaches who judge them: what retraining is tried on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.classifier.bundle import Bundle
from faultml.classifier.faults import Posterior
from faultml.faults.catalogue import Catalogue
from faultml.pipelines.data import draw
from faultml.pipelines.evaluate import features_of, seen_measures, with_marks
from faultml.synthetic.coach import Coach
from faultml.synthetic.recipe import Recipe

Array = NDArray[np.float64]

SHIFT_SOFTNESS: Final = 1.5
"""How far a simulated coach's edges lie from the catalogue's: 6 degrees, 0.06 of the downswing."""
RELEASE: Final = ("early_ulnar_release", "early_roll", "flip", "held_hinge", "roll_over", "hold_off")
CARELESS_SLIP: Final = 0.15


@dataclass(frozen=True)
class Suite:
    """Swings of generated golfers.

    Attributes
    ----------
    posterior
        As the model estimates their measures.
    measures, guards
        The truth, ``(n_swings, n_faults)`` (NaN where it cannot be seen) and ``(n_swings, n_guards)``.
    golfers
        ``(n_swings,)`` whose swing each is.
    """

    posterior: Posterior
    measures: Array
    guards: Array
    golfers: NDArray[np.object_]


def draw_suite(catalogue: Catalogue, bundle: Bundle, *, golfers: int, swings: int, seed: int) -> Suite:
    """Everyday golfers with contact marked, measured by a bundle; only full swings."""
    recipe = Recipe(golfers=golfers, sessions=1, swings=swings, seed=seed, non_swing_share=0.0)
    drawn = with_marks(draw(catalogue, recipe, jobs=1), marked=True)
    features, _ = features_of(catalogue, bundle.detector, drawn)
    measures = np.where(np.isnan(features.measures), np.nan, seen_measures(catalogue, drawn))
    return Suite(
        bundle.classifier.posterior(features.values), measures, drawn.guards(catalogue), drawn.golfers
    )


def simulated_coaches(catalogue: Catalogue, random: np.random.Generator) -> dict[str, Coach]:
    """Edges moved either way by 6 degrees; strict on the release; careless with 15 % slips."""
    moved = random.choice([-SHIFT_SOFTNESS, SHIFT_SOFTNESS], len(catalogue.ids))
    release = np.isin(catalogue.ids, RELEASE)
    return {
        "moved": Coach(moved * catalogue.softness_by_fault, 0.0),
        "strict on the release": Coach(-SHIFT_SOFTNESS * release * catalogue.softness_by_fault, 0.0),
        "careless": Coach(np.zeros(len(catalogue.ids)), CARELESS_SLIP),
    }
