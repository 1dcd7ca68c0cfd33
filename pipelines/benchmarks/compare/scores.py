"""How good probabilities are against a coach's answers, fault by fault."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from sklearn.metrics import average_precision_score, log_loss

from faultml.pipelines.training.evaluate import calibration_error

Array = NDArray[np.float64]

MIN_ANSWERS: Final = 15
"""Fewer yes or no answers than this, and a fault is not scored in a suite."""

MEASURES: Final = ("average_precision", "log_loss", "calibration_error")


def fault_scores(faults: tuple[str, ...], labels: Array, chance: Array) -> dict[str, dict[str, float]]:
    """Scores of each fault with enough answers, with the base rate's log loss.

    Parameters
    ----------
    labels, chance
        ``(n_swings, n_faults)`` answers (1, 0, NaN where there is none) and probabilities.
    """
    scores = {}
    for column, fault in enumerate(faults):
        known = np.isfinite(labels[:, column])
        y, p = labels[known, column], chance[known, column]
        if min(y.sum(), len(y) - y.sum()) < MIN_ANSWERS:
            continue
        scores[fault] = {
            "swings": len(y),
            "prevalence": float(y.mean()),
            "average_precision": float(average_precision_score(y, p)),
            "log_loss": float(log_loss(y, np.clip(p, 1e-6, 1 - 1e-6), labels=[0, 1])),
            "calibration_error": calibration_error(y, p),
            "base_rate_log_loss": float(log_loss(y, np.full(len(y), y.mean()), labels=[0, 1])),
        }
    return scores


def macro_scores(scores: dict[str, dict[str, float]]) -> dict[str, Any]:
    """Means over the faults, and how many those are; the worst calibration error beside its mean."""
    if not scores:
        return {"faults": 0}
    means = {name: float(np.mean([row[name] for row in scores.values()])) for name in MEASURES}
    worst = max(row["calibration_error"] for row in scores.values())
    return {"faults": len(scores), **means, "worst_calibration_error": worst}


def severity_scores(
    past: Array, mean: Array, sd: Array, true: Array, softness: Array, z: float
) -> dict[str, Any]:
    """Median error of the severity of what is past its edge, and how often the 90 % interval holds the true measure.

    All ``(n_swings, n_faults)`` but `softness` ``(n_faults,)``; errors of the release, a share of the downswing, are
    given in hundredths, and are set beside degrees.
    """
    known = np.isfinite(true)
    error = np.abs(mean - true)
    scale = np.where(softness < 1, 100.0, 1.0)
    shown = known & (past > 0)
    return {
        "severity_error_median": float(np.median((error * scale)[shown])) if shown.any() else None,
        "interval_covers": float((error <= z * sd)[known].mean()) if known.any() else None,
        "interval_covers_past_edge": float((error <= z * sd)[shown].mean()) if shown.any() else None,
    }
