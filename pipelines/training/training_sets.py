"""What the fault classifier learns from: golfers drawn breadth by breadth, and the features of their swings.

Other people's swings and sensors are not like the generator's. So a part of the golfers has sensors that sit far worse,
and a part moves far more variously, than golfers and recorders do every day. Landmarks are not learned from these: they
gained nothing, and were then read late in a real swing that starts down slowly.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from faultml.faults.catalogue import Catalogue
from faultml.features.table import Features
from faultml.motion.landmark_model import LandmarkModel
from faultml.pipelines.training.data import Drawn, draw, vary
from faultml.pipelines.training.evaluate import features_of, seen_measures
from faultml.synthetic.coach import Coach
from faultml.synthetic.recipe import Recipe

Array = NDArray[np.float64]

BREADTHS: Final[tuple[tuple[float, dict[str, Any]], ...]] = (
    (0.6, {}),
    (0.2, {"mounting_scale": 2.5, "noise_scale": 2.5, "non_swing_share": 0.0}),
    (0.2, {"mounting_scale": 2.0, "noise_scale": 2.0, "style_scale": 2.0, "non_swing_share": 0.0}),
)
"""Share of the golfers, and how their recipe differs. Only the first has non-swings: the swing filter learns there."""

SHAPE: Final = ("measure:", "phase:", "timing:")
"""Groups of features that tell whether a swing is like those learned from."""

_NEXT_SEED: Final = 10_000


def breadths(recipe: Recipe) -> list[Recipe]:
    """A recipe's golfers, spread over `BREADTHS`; seeds differ."""
    return [
        replace(
            recipe,
            golfers=max(1, round(share * recipe.golfers)),
            seed=recipe.seed + k * _NEXT_SEED,
            **changes,
        )
        for k, (share, changes) in enumerate(BREADTHS)
    ]


def draw_breadths(catalogue: Catalogue, recipe: Recipe, *, jobs: int) -> Iterator[Drawn]:
    """Recordings of one breadth after the other: all together would fill the memory."""
    for k, one in enumerate(breadths(recipe)):
        drawn = draw(catalogue, one, jobs=jobs)
        yield replace(drawn, truth=drawn.truth.assign(player=f"{k}-" + drawn.truth["player"].astype(str)))


@dataclass(frozen=True)
class TrainingSet:
    """What the fault classifier learns from, a row a full swing.

    Attributes
    ----------
    features
        ``(n_swings, n_features)``.
    truth
        ``(n_swings, n_faults + n_guards)`` true measures and guards, NaN where they are not to be seen.
    labels
        ``(n_swings, n_faults)`` a careful coach's answers.
    golfers
        ``(n_swings,)``.
    """

    features: Array
    truth: Array
    labels: Array
    golfers: NDArray[np.object_]

    @classmethod
    def of(
        cls, catalogue: Catalogue, drawn: Drawn, features: Features, random: np.random.Generator
    ) -> TrainingSet:
        """The training set of some recordings."""
        measures, guards = seen_measures(catalogue, drawn), drawn.guards(catalogue)
        # What will not be assessed is not learned from either.
        measures[np.isnan(features.measures)] = np.nan
        labels = Coach.careful(catalogue).label(catalogue, measures, guards, random)
        full = drawn.full
        return cls(
            features.values[full],
            np.column_stack([measures, guards])[full],
            labels[full],
            drawn.golfers[full],
        )

    @classmethod
    def all_of(cls, training_sets: list[TrainingSet]) -> TrainingSet:
        """Several training sets as one."""
        return cls(
            **{
                field.name: np.concatenate(
                    [getattr(training_set, field.name) for training_set in training_sets]
                )
                for field in fields(cls)
            }
        )


def draw_training_sets(
    catalogue: Catalogue,
    detector: LandmarkModel,
    recipe: Recipe,
    random: np.random.Generator,
    *,
    jobs: int,
) -> Iterator[tuple[TrainingSet, Drawn, Features]]:
    """The training set of each breadth with the recordings and features it was made from."""
    for drawn in draw_breadths(catalogue, recipe, jobs=jobs):
        varied = vary(drawn, random)
        features, _ = features_of(catalogue, detector, varied)
        yield TrainingSet.of(catalogue, varied, features, random), varied, features


def shape_columns(names: tuple[str, ...]) -> tuple[int, ...]:
    """Columns of the features that tell how like a swing is to those learned from."""
    return tuple(column for column, name in enumerate(names) if name.startswith(SHAPE))
