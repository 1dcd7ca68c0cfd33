"""Learn a bundle's promises on generated golfers from whom nothing else was learned."""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from faultml.classifier.assess import YES_PAST_SOFTNESS
from faultml.classifier.promise import (
    CONFIDENCE,
    DEFAULT_FALSE_SHARE,
    FALSE_SHARES,
    FaultPromise,
    Promises,
    golfers_needed,
    lowest_threshold,
)
from faultml.faults.catalogue import Catalogue
from faultml.motion.landmark_model import LandmarkModel
from faultml.pipelines.training.data import Drawn, draw
from faultml.pipelines.training.evaluate import features_of, seen_measures, with_marks
from faultml.runtime.faults import FaultModel
from faultml.runtime.swing_filter import SwingFilterModel
from faultml.synthetic.coach import Coach
from faultml.synthetic.recipe import Recipe

FEWEST_YES_GOLFERS: Final = 20
"""A fault that fewer golfers show is promised nothing."""


def learn_promises(
    catalogue: Catalogue,
    detector: LandmarkModel,
    swing_filter: SwingFilterModel,
    classifier: FaultModel,
    *,
    seed: int,
    golfers: int = 18_000,
    jobs: int = 1,
) -> Promises:
    """Draw everyday golfers, two swings each, and keep the lowest threshold that holds each share."""
    recipe = Recipe(golfers=golfers, sessions=1, swings=2, seed=seed * 10 + 5, non_swing_share=0.0)
    drawn = draw(catalogue, recipe, jobs=jobs)
    sides = {
        name: _thresholds(catalogue, detector, swing_filter, classifier, with_marks(drawn, marked))
        for name, marked in (("marked", True), ("not_marked", False))
    }
    return Promises(
        held_on="generated golfers",
        golfers=golfers,
        false_shares=FALSE_SHARES,
        confidence=CONFIDENCE,
        faults={
            fault: FaultPromise(**{name: side[fault] for name, side in sides.items()})
            for fault in catalogue.ids
        },
    )


def _thresholds(
    catalogue: Catalogue,
    detector: LandmarkModel,
    swing_filter: SwingFilterModel,
    classifier: FaultModel,
    drawn: Drawn,
) -> dict[str, tuple[float | None, ...]]:
    features, _ = features_of(catalogue, detector, drawn)
    passed = swing_filter.predict(features.values)
    measures = np.where(np.isnan(features.measures), np.nan, seen_measures(catalogue, drawn))
    yes = Coach.careful(catalogue).chance_of_yes(catalogue, measures, drawn.guards(catalogue))
    posterior = classifier.posterior(features.values)
    chance = classifier.probability(posterior, classifier.edges)
    past = classifier.signs * (posterior.mean - classifier.edges) >= YES_PAST_SOFTNESS * classifier.softness
    found: dict[str, tuple[float | None, ...]] = {}
    for column, fault in enumerate(catalogue.ids):
        known = passed & np.isfinite(yes[:, column]) & np.isfinite(chance[:, column])
        shown = len(np.unique(drawn.golfers[known & (yes[:, column] > 0.5)]))
        parts: dict[str, Any] = {
            "chance": chance[known, column],
            "may_flag": past[known, column],
            "wrong": 1 - yes[known, column],
            "golfers": drawn.golfers[known],
        }
        found[fault] = tuple(
            lowest_threshold(**parts, false_share=share) if shown >= FEWEST_YES_GOLFERS else None
            for share in FALSE_SHARES
        )
    return found


def promise_section(promises: Promises) -> str:
    """The card's section."""

    def cell(thresholds: tuple[float | None, ...]) -> str:
        return ", ".join("none" if value is None else f"{value:.2f}" for value in thresholds)

    shares = ", ".join(f"{share:g}" for share in promises.false_shares)
    lines = [
        "## What is promised of flags",
        "",
        f"With {promises.confidence:.0%} confidence for each fault, shown on {promises.golfers:,} "
        f"{promises.held_on} whom nothing was learned from: flagged at these probabilities and above, at most so much "
        "is wrong. It is no promise about your players: for those it can be shown from some "
        f"{golfers_needed(DEFAULT_FALSE_SHARE, len(promises.faults))} labelled golfers on.",
        "",
        f"| fault | contact marked: {shares} | not marked: {shares} |",
        "|---|---|---|",
    ]
    lines += [
        f"| {fault} | {cell(one.marked)} | {cell(one.not_marked)} |" for fault, one in promises.faults.items()
    ]
    return "\n".join([*lines, ""])
