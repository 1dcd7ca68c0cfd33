"""Does it know what it does not know? Risk against the share that is answered, the surest answers first.

An answer is a swing and a fault; its doubt is how near its probability is to one half. Where doubt is honest, the risk
(share of answers on the wrong side, log loss) falls as the less sure ones are left out, and unfamiliar swings are less
sure throughout.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from sklearn.metrics import log_loss

from faultml.faults.catalogue import Catalogue
from faultml.motion.landmark_model import LandmarkModel
from faultml.pipelines.training.data import Drawn, draw
from faultml.pipelines.training.evaluate import features_of, seen_measures, with_marks
from faultml.pipelines.training.risk_figure import RISK_FIGURE
from faultml.runtime.faults import FaultModel
from faultml.runtime.swing_filter import SwingFilterModel
from faultml.synthetic.coach import Coach
from faultml.synthetic.recipe import Recipe

Array = NDArray[np.float64]

COVERAGES: Final = (1.0, 0.95, 0.9, 0.8, 0.6)
_CURVE: Final = tuple(round(0.025 * k, 3) for k in range(4, 41))
"""Shares of the answers at which the figure's line is drawn."""

_EVERYDAY: Final = Recipe(golfers=150, sessions=1, swings=8, seed=9_300, non_swing_share=0.0)
STYLES: Final = {
    "everyday": _EVERYDAY,
    "far styles": replace(_EVERYDAY, style_scale=2.5, slow_start_share=0.3),
    "noisy, turned sensors": replace(_EVERYDAY, noise_scale=3.0, mounting_scale=2.5),
}
"""Everyday golfers, and two kinds that training has seen little of."""


def risk_by_coverage(chance: Array, labels: Array) -> list[dict[str, float]]:
    """Risk of the surest answers, for each of `COVERAGES`; NaN are no answers."""
    p, y = _surest_first(chance, labels)
    rows = []
    for share in COVERAGES:
        kept = max(1, round(share * len(p)))
        rows.append(
            {
                "coverage": share,
                "wrong": round(float(np.mean((p[:kept] >= 0.5) != (y[:kept] == 1))), 4),
                "log_loss": round(float(log_loss(y[:kept], p[:kept], labels=[0, 1])), 4),
            }
        )
    return rows


def risk_curve(chance: Array, labels: Array, *, assessed: float) -> dict[str, list[float]]:
    """Shares of all questions that are answered, and of these the share that is wrong, the surest answers first.

    Parameters
    ----------
    chance, labels
        Of the swings that are assessed; NaN are no answers.
    assessed
        Share of the swings that are: whoever is refused is not answered.
    """
    p, y = _surest_first(chance, labels)
    wrong = np.cumsum((p >= 0.5) != (y == 1))
    kept = np.maximum(1, np.round(np.array(_CURVE) * len(p)).astype(int))
    return {
        "answered": [round(share * assessed, 4) for share in _CURVE],
        "wrong": np.round(wrong[kept - 1] / kept, 4).tolist(),
    }


def _surest_first(chance: Array, labels: Array) -> tuple[Array, Array]:
    known = np.isfinite(chance) & np.isfinite(labels)
    p, y = chance[known], labels[known]
    order = np.argsort(-np.abs(p - 0.5), kind="stable")
    return p[order], y[order]


def risk_coverage(
    catalogue: Catalogue,
    detector: LandmarkModel,
    swing_filter: SwingFilterModel,
    classifier: FaultModel,
    *,
    jobs: int = 1,
) -> dict[str, Any]:
    """For each of `STYLES`: share refused, mean SD of the measures in softnesses, and risk by coverage; not marked."""
    coverage: dict[str, Any] = {}
    for name, recipe in STYLES.items():
        drawn: Drawn = with_marks(draw(catalogue, recipe, jobs=jobs), False)
        features, _ = features_of(catalogue, detector, drawn)
        passed = swing_filter.predict(features.values)
        measures = np.where(np.isnan(features.measures), np.nan, seen_measures(catalogue, drawn))
        random = np.random.default_rng(recipe.seed)
        labels = Coach.careful(catalogue).label(catalogue, measures, drawn.guards(catalogue), random)
        posterior = classifier.posterior(features.values[passed])
        chance = classifier.probability(posterior, classifier.edges)
        coverage[name] = {
            "refused": round(float((~passed).mean()), 4),
            "mean_sd_softness": round(float(np.mean(posterior.sd / classifier.softness)), 3),
            "risk": risk_by_coverage(chance, labels[passed]),
            "curve": risk_curve(chance, labels[passed], assessed=float(passed.mean())),
        }
    return coverage


def risk_section(coverage: dict[str, Any]) -> str:
    """The card's section."""
    shares = " | ".join(f"{share:.0%}" for share in COVERAGES)
    lines = [
        "## Risk and coverage (synthetic, contact not marked)",
        "",
        "Share of answers (swing x fault) on the wrong side of one half, and their log loss, among the surest so many. "
        "The SD is that of the measures, in units of an edge's softness: unfamiliar swings are given more doubt.",
        "",
        f"![Wrong answers against the share answered]({RISK_FIGURE})",
        "",
        f"| golfers | refused | mean SD | {shares} |",
        "|---|---|---|" + "---|" * len(COVERAGES),
    ]
    for name, row in coverage.items():
        cells = [f"{point['wrong']:.1%}, {point['log_loss']:.3f}" for point in row["risk"]]
        lines.append(
            f"| {name} | {row['refused']:.1%} | {row['mean_sd_softness']:.2f} | {' | '.join(cells)} |"
        )
    return "\n".join([*lines, ""])
