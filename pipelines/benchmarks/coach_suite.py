"""Generated golfers as the model measures them, and simulated coaches who judge them: what retraining is tried on."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from faultml.classifier.bundle import Bundle
from faultml.faults.catalogue import Catalogue, Measure
from faultml.faults.measure import evaluate
from faultml.pipelines.retraining.labelled import UNSURE, Labelled
from faultml.pipelines.training.data import draw
from faultml.pipelines.training.evaluate import features_of, seen_measures, with_marks
from faultml.runtime.faults import FaultModel, Posterior
from faultml.synthetic.coach import Coach
from faultml.synthetic.golfers import Golfers
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import GolferSeason, draw_golfer_season

Array = NDArray[np.float64]

SHIFT_SOFTNESS: Final = 1.5
"""How far a simulated coach's edges lie from the catalogue's: 6 degrees, 0.06 of the downswing."""
RELEASE: Final = ("early_ulnar_release", "early_roll", "flip", "held_hinge", "roll_over", "hold_off")
CARELESS_LAPSE_RATE: Final = 0.15
UNSURE_SOFTNESS: Final = 0.5
"""On either side of an edge, where a coach who may say so is unsure: 2 degrees."""
ELSEWHERE: Final = {
    "flip": Measure(stat="at", channel="flexion_deg", start="d0.8"),
    "flexed_top": Measure(stat="at", channel="flexion_deg", start="d0.2"),
}
"""What a coach looks at who judges these faults at other moments than the catalogue; the edges stay."""
_ELSEWHERE: Final = "elsewhere_"


@dataclass(frozen=True)
class Suite:
    """Swings of generated golfers.

    Attributes
    ----------
    posterior
        As the model estimates their measures.
    measures, guards
        The truth, ``(n_swings, n_faults)`` (NaN where it cannot be seen) and ``(n_swings, n_guards)``.
    elsewhere
        ``(n_swings, n_faults)`` the true measures of one who judges some faults at other moments.
    golfers
        ``(n_swings,)`` whose swing each is.
    """

    posterior: Posterior
    measures: Array
    guards: Array
    elsewhere: Array
    golfers: NDArray[np.object_]


@dataclass(frozen=True)
class Simulated:
    """A simulated coach.

    Attributes
    ----------
    coach
        Edges and lapse rate.
    elsewhere
        Whether some faults are judged at other moments.
    band
        How far on either side of an edge the coach says unsure, in softnesses.
    """

    coach: Coach
    elsewhere: bool = False
    band: float = 0.0

    def answers(self, catalogue: Catalogue, suite: Suite, random: np.random.Generator) -> Array:
        """What the coach says of each swing and fault: 1, 0, `UNSURE`; NaN where it cannot be seen."""
        drawn, lapsed = random.random((2, *suite.measures.shape))
        past, not_short = (self._chance(catalogue, suite, side * self.band) for side in (1, -1))
        answers_given = (drawn < past).astype(float)
        answers_given = np.where(lapsed < self.coach.lapse_rate, 1 - answers_given, answers_given)
        answers_given[(drawn >= past) & (drawn < not_short)] = UNSURE
        return np.where(np.isnan(past), np.nan, answers_given)

    def steady(self, catalogue: Catalogue, suite: Suite, random: np.random.Generator) -> Array:
        """What the same coach would say without lapses, made to say yes or no."""
        return replace(self, coach=Coach(self.coach.bias, 0.0), band=0.0).answers(catalogue, suite, random)

    def _chance(self, catalogue: Catalogue, suite: Suite, further: float) -> Array:
        coach = Coach(self.coach.bias + further * catalogue.softness_by_fault, 0.0)
        measures = suite.elsewhere if self.elsewhere else suite.measures
        return coach.chance_of_yes(catalogue, measures, suite.guards)


def simulated_coaches(catalogue: Catalogue, random: np.random.Generator) -> dict[str, Simulated]:
    """Simulated coaches by name.

    Edges moved either way by 6 degrees; the same, unsure near them; strict on the release; careless with a lapse rate
    of 15 %; one who judges two faults at other moments.
    """
    soft = catalogue.softness_by_fault
    moved = random.choice([-SHIFT_SOFTNESS, SHIFT_SOFTNESS], len(soft)) * soft
    release = np.isin(catalogue.ids, RELEASE)
    return {
        "moved": Simulated(Coach(moved, 0.0)),
        "moved, unsure near them": Simulated(Coach(moved, 0.0), band=UNSURE_SOFTNESS),
        "strict on the release": Simulated(Coach(-SHIFT_SOFTNESS * release * soft, 0.0)),
        "careless": Simulated(Coach(np.zeros(len(soft)), CARELESS_LAPSE_RATE)),
        "looks elsewhere": Simulated(Coach(np.zeros(len(soft)), 0.0), elsewhere=True),
    }


def draw_suite(catalogue: Catalogue, bundle: Bundle, *, golfers: int, swings: int, seed: int) -> Suite:
    """Everyday golfers with contact marked, measured by a bundle; only full swings."""
    recipe = Recipe(golfers=golfers, sessions=1, swings=swings, seed=seed, non_swing_share=0.0)
    drawn = with_marks(draw(catalogue, recipe, jobs=1, drawer=_draw_golfer), marked=True)
    features, _ = features_of(catalogue, bundle.detector, drawn)
    measures = np.where(np.isnan(features.measures), np.nan, seen_measures(catalogue, drawn))
    elsewhere = measures.copy()
    for fault in ELSEWHERE:
        column = catalogue.ids.index(fault)
        seen = drawn.truth[_ELSEWHERE + fault].to_numpy(float)
        elsewhere[:, column] = np.where(np.isnan(measures[:, column]), np.nan, seen)
    posterior = bundle.classifier.posterior(features.values)
    return Suite(posterior, measures, drawn.guards(catalogue), elsewhere, drawn.golfers)


def labelled_by(catalogue: Catalogue, classifier: FaultModel, suite: Suite, answers: Array) -> Labelled:
    """A suite's swings as retraining sees them."""
    past = np.where(
        np.isfinite(suite.measures), catalogue.signs * (suite.posterior.mean - classifier.edges), np.nan
    )
    guard = np.ones_like(past)
    for k, column in enumerate(classifier.guarded):
        below = classifier.guard_edges[k] - suite.posterior.guard_mean[:, k]
        guard[:, column] = ndtr(below / suite.posterior.guard_sd[:, k])
    at = np.arange(len(past))
    once = np.full(len(past), "1", dtype=object)
    return Labelled(past, suite.posterior.sd, guard, answers, suite.golfers, at, np.zeros_like(at), once)


def _draw_golfer(catalogue: Catalogue, recipe: Recipe, golfers: Golfers, index: int) -> GolferSeason:
    season = draw_golfer_season(catalogue, recipe, golfers, index)
    seen = {_ELSEWHERE + fault: evaluate(measure, season.phase_deg) for fault, measure in ELSEWHERE.items()}
    return replace(season, truth=season.truth.assign(**seen))
