"""What a challenger and the champion are judged on: fixed generated golfers, and the coach's held-out labels."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from faultml.channels import ID_COLUMNS
from faultml.classifier.assess import Assessor
from faultml.classifier.bundle import Bundle
from faultml.errors import BundleError
from faultml.faults.catalogue import Catalogue
from faultml.pipelines.registry.promotion_rule import DECIDES, WATCHES, Answers, Demand, base_rates
from faultml.pipelines.training.data import Drawn, draw
from faultml.pipelines.training.evaluate import features_of, seen_measures, with_marks, without_forearm
from faultml.recordings.read import open_season
from faultml.synthetic.coach import Coach
from faultml.synthetic.recipe import Recipe

Array = NDArray[np.float64]

GOLFERS: Final = 400
SEED: Final = 7_000_101
"""Of golfers that no training draws: trainings' seeds are ten times a plan's seed and a little more."""
MAX_LOSS: Final = 0.01
"""Share of full swings, or of what is none, that a challenger may tell worse than the champion."""

SUITES: Final[dict[str, Callable[[Drawn], Drawn]]] = {
    "contact marked": lambda drawn: with_marks(drawn, True),
    "contact not marked": lambda drawn: with_marks(drawn, False),
    "no forearm": without_forearm,
}


class Predictions(NamedTuple):
    """What one model says of a suite: chances, ``(n, n_faults)``, and which recordings it takes for full swings."""

    chance: Array
    full: NDArray[np.bool_]


def fixed_suites(
    catalogue: Catalogue,
    champion: Bundle | None,
    challenger: Bundle,
    *,
    edges: tuple[Array | None, Array | None] = (None, None),
    demand: Demand = DECIDES,
    golfers: int = GOLFERS,
    jobs: int = 1,
) -> tuple[list[Answers], list[str]]:
    """The fixed suites with both models' chances, and what the challenger's swing filter does worse.

    Without a champion, the challenger is set against knowing only how common each fault is.

    Parameters
    ----------
    edges
        Of the champion and of the challenger, ``(n_faults,)``; None for the catalogue's.
    demand
        What the suites ask.
    golfers, jobs
        To draw, and processes to draw them with.

    Raises
    ------
    BundleError
        ``bundle-features`` where a model was made for other features than this code's.
    """
    recipe = Recipe(golfers=golfers, sessions=2, swings=4, seed=SEED, non_swing_share=0.15)
    drawn = draw(catalogue, recipe, jobs=jobs)
    suites, worse = [], []
    for name, recorded in SUITES.items():
        suite = recorded(drawn)
        full, labels = suite.full, fixed_labels(catalogue, suite)
        new = _predictions(catalogue, challenger, suite, edges[1])
        old = _predictions(catalogue, champion, suite, edges[0]) if champion else None
        chance = old.chance[full] if old else base_rates(labels)
        suites.append(Answers(name, labels, chance, new.chance[full], suite.golfers[full], demand))
        for what, which in (("full swings", full), ("what is no full swing", ~full)):
            before = (old.full == full)[which].mean() if old else 0.95
            after = (new.full == full)[which].mean()
            if after < before - MAX_LOSS:
                worse.append(f"{name}: {what} right in {after:.1%}, before in {before:.1%}")
    return suites, worse


def fixed_labels(catalogue: Catalogue, drawn: Drawn) -> Array:
    """A careful coach's answers to a suite's full swings, ``(n_full, n_faults)``, always the same."""
    measures, guards = seen_measures(catalogue, drawn), drawn.guards(catalogue)
    labels = Coach.careful(catalogue).label(catalogue, measures, guards, np.random.default_rng(SEED))
    return labels[drawn.full]


def coach_answers(
    catalogue: Catalogue,
    season: list[Path],
    verdicts: pd.DataFrame,
    champion: Bundle | None,
    challenger: Bundle,
) -> Answers:
    """A coach's yes and no to swings of a season, of players from whom neither model has learned.

    Parameters
    ----------
    season
        Paths of the recordings.
    verdicts
        ``player, session, swing, fault, verdict``, as `faultml.labels.verdicts` gives them.
    """
    answered = verdicts[verdicts["verdict"].isin(["yes", "no"])]
    # Of several coaches, and of one coach asked twice: what most of them say; as many yes as no is no answer.
    majority = answered.assign(yes=(answered["verdict"] == "yes").astype(float))
    majority = majority.groupby([*ID_COLUMNS, "fault"])["yes"].mean().round(6)
    majority = majority[majority != 0.5].round().reset_index()
    majority = majority.pivot_table(index=list(ID_COLUMNS), columns="fault", values="yes")
    majority = majority.reindex(columns=list(catalogue.ids))
    assessors = [Assessor(bundle, catalogue) if bundle else None for bundle in (champion, challenger)]
    parts: list[tuple[pd.DataFrame, list[Array]]] = []
    for batch in open_season(season).batches():
        ids = pd.MultiIndex.from_frame(batch.table[list(ID_COLUMNS)])
        rows = np.flatnonzero(ids.isin(majority.index))
        if not len(rows):
            continue
        chances = [each.assess(batch).probability[rows] if each else None for each in assessors]
        labels = majority.reindex(ids[rows])
        parts.append((labels, [labels.to_numpy(float) if each is None else each for each in chances]))
    name = "the coach's labels"
    if not parts:
        none = np.empty((0, len(catalogue.ids)))
        return Answers(name, none, none, none, np.empty(0, dtype=object), demand=WATCHES)
    table = pd.concat([labels for labels, _ in parts])
    labels = table.to_numpy(float)
    old, new = (np.concatenate([chances[k] for _, chances in parts]) for k in (0, 1))
    golfers = table.index.get_level_values("player").to_numpy(object)
    return Answers(name, labels, old if champion else base_rates(labels), new, golfers, demand=WATCHES)


def _predictions(catalogue: Catalogue, bundle: Bundle, drawn: Drawn, edges: Array | None) -> Predictions:
    features, _ = features_of(catalogue, bundle.detector, drawn)
    if features.names != bundle.manifest.features:
        raise BundleError(
            "bundle-features",
            where=f"{bundle.manifest.name} {bundle.manifest.version}",
            expected=f"{len(features.names)} features of this program",
            found=f"{len(bundle.manifest.features)} others",
        )
    return Predictions(
        bundle.classifier.predict_proba(features.values, edges), bundle.swing_filter.predict(features.values)
    )
