"""What a model is worth on golfers it has not seen. Every figure here is synthetic and says so where it is shown."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from sklearn.metrics import average_precision_score, log_loss

from faultml.channels import LANDMARKS, PRONATION
from faultml.classifier.assess import NO_BELOW, YES_FROM, YES_PAST_SOFTNESS
from faultml.faults.catalogue import Catalogue
from faultml.features.table import Features, compute_features
from faultml.motion.curves import Curves
from faultml.motion.landmark_model import LandmarkModel, Landmarks
from faultml.pipelines.training.data import Drawn, take_windows
from faultml.runtime.faults import INTERVAL_Z, FaultModel
from faultml.runtime.swing_filter import SwingFilterModel
from faultml.synthetic.coach import Coach

Array = NDArray[np.float64]

_CHUNK: Final = 2000
CLEAR_SOFTNESS: Final = 1.5
"""A fault is called clear this many softnesses past its edge (6 degrees, 0.06 of the downswing)."""


def features_of(catalogue: Catalogue, detector: LandmarkModel, drawn: Drawn) -> tuple[Features, Landmarks]:
    """Features and landmarks of many recordings, chunk by chunk."""
    parts, landmarks = [], []
    for first in range(0, len(drawn), _CHUNK):
        windows = take_windows(drawn.windows, np.arange(first, min(first + _CHUNK, len(drawn))))
        found = detector.predict(windows)
        parts.append(compute_features(catalogue, windows, found, Curves.read(windows, found)))
        landmarks.append(found)
    joined = {
        name: np.concatenate([getattr(part, name) for part in parts])
        for name in ("values", "measures", "guards", "sensitivity")
    }
    features = Features(names=parts[0].names, **joined)
    return features, Landmarks(
        np.concatenate([part.offset_s for part in landmarks]),
        np.concatenate([part.sd_s for part in landmarks]),
    )


def seen_measures(catalogue: Catalogue, drawn: Drawn) -> Array:
    """True measures, NaN where the recording cannot show them (no forearm, ends too soon), ``(n, n_faults)``."""
    measures = drawn.measures(catalogue).copy()
    forearm = np.array([fault.needs_pronation for fault in catalogue.faults])
    measures[~drawn.windows.has_pronation[:, None] & forearm] = np.nan
    top, impact = drawn.offset_s[:, 1], drawn.offset_s[:, 2]
    for column, fault in enumerate(catalogue.faults):
        after = max(
            (position.fraction for position in fault.measure.span if position.phase == "f"), default=None
        )
        if after is not None:
            measures[~(drawn.windows.end_s >= impact + after * (impact - top)), column] = np.nan
    return measures


def with_marks(drawn: Drawn, marked: bool) -> Drawn:
    """The same recordings with contact marked on every full swing, or on none."""
    mark = drawn.offset_s[:, LANDMARKS.index("impact")] if marked else np.full(len(drawn), np.nan)
    return replace(drawn, windows=replace(drawn.windows, mark_s=mark))


def without_forearm(drawn: Drawn) -> Drawn:
    """The same recordings as a recorder without a forearm part would leave them."""
    windows = drawn.windows
    angles, rates, noise = windows.angles_deg.copy(), windows.rates_dps.copy(), windows.noise_deg.copy()
    angles[:, PRONATION] = rates[:, PRONATION] = 0
    noise[:, PRONATION] = 0
    lacking = np.zeros(len(windows), dtype=bool)
    return replace(
        drawn,
        windows=replace(windows, angles_deg=angles, rates_dps=rates, noise_deg=noise, has_pronation=lacking),
    )


def evaluate(
    catalogue: Catalogue,
    detector: LandmarkModel,
    swing_filter: SwingFilterModel,
    classifier: FaultModel,
    drawn: Drawn,
) -> dict[str, Any]:
    """Figures for one set of recordings: landmarks, the swing filter, and every fault with its calibration."""
    features, landmarks = features_of(catalogue, detector, drawn)
    full = drawn.full
    passed = swing_filter.predict(features.values)
    kinds = drawn.truth["kind"].to_numpy(object)
    faults, reliability = _fault_figures(catalogue, classifier, drawn, features, full & passed)
    return {
        "recordings": len(drawn),
        "full_swings": int(full.sum()),
        "golfers": len(np.unique(drawn.golfers)),
        "landmarks_ms": _landmark_figures(
            drawn.offset_s[full], Landmarks(landmarks.offset_s[full], landmarks.sd_s[full])
        ),
        "swing_filter": {
            "good_assessed": round(float(passed[full].mean()), 4),
            "non_swings_refused": round(float((~passed[~full]).mean()), 4) if (~full).any() else None,
            "refused_by_kind": {
                str(kind): round(float((~passed[kinds == kind]).mean()), 3)
                for kind in np.unique(kinds)
                if kind != "full"
            },
        },
        "faults": faults,
        "reliability": reliability,
    }


def _landmark_figures(true_s: Array, found: Landmarks) -> dict[str, Any]:
    error = np.abs(found.offset_s - true_s) * 1000
    within = error <= INTERVAL_Z * found.sd_s * 1000
    return {
        name: {
            "median": round(float(np.median(error[:, k])), 1),
            "p95": round(float(np.quantile(error[:, k], 0.95)), 1),
            "covered_90": round(float(within[:, k].mean()), 3),
        }
        for k, name in enumerate(LANDMARKS)
    }


def _fault_figures(
    catalogue: Catalogue,
    classifier: FaultModel,
    drawn: Drawn,
    features: Features,
    used: NDArray[np.bool_],
) -> tuple[dict[str, Any], list[dict[str, float]]]:
    """Figures by fault, and `reliability` of all faults together."""
    random = np.random.default_rng(7)
    measures, guards = seen_measures(catalogue, drawn)[used], drawn.guards(catalogue)[used]
    measures = np.where(np.isnan(features.measures[used]), np.nan, measures)
    posterior = classifier.posterior(features.values[used])
    chance = classifier.probability(posterior, classifier.edges)
    oracle = Coach.careful(catalogue).chance_of_yes(catalogue, measures, guards)
    labels = np.where(np.isnan(oracle), np.nan, random.random(oracle.shape) < oracle)
    past = classifier.signs * (measures - classifier.edges)
    estimated = classifier.signs * (posterior.mean - classifier.edges)
    yes = (chance >= YES_FROM) & (estimated >= YES_PAST_SOFTNESS * classifier.softness)
    clean = ~(past > -0.75 * classifier.softness).any(axis=1)
    figures = {}
    for column, fault in enumerate(catalogue.ids):
        known = np.isfinite(labels[:, column])
        y, p, best = labels[known, column], chance[known, column], oracle[known, column]
        clear = (
            known
            & (past[:, column] >= CLEAR_SOFTNESS * classifier.softness[column])
            & (oracle[:, column] > 0.5)
        )
        error = np.abs(posterior.mean - measures)[known, column]
        figures[fault] = {
            "swings": int(known.sum()),
            "prevalence": round(float(y.mean()), 4),
            "average_precision": _rounded(average_precision_score(y, p)),
            "oracle_average_precision": _rounded(average_precision_score(y, best)),
            "log_loss": _rounded(log_loss(y, p, labels=[0, 1])),
            "base_rate_log_loss": _rounded(log_loss(y, np.full(len(y), y.mean()), labels=[0, 1])),
            "calibration_error": _rounded(calibration_error(y, p)),
            "clear": int(clear.sum()),
            "clear_found": _rounded(yes[clear, column].mean()) if clear.any() else None,
            "clean_flagged": _rounded(yes[clean & known, column].mean()) if (clean & known).any() else None,
            "flagged_wrong": _rounded(1 - labels[known & yes[:, column], column].mean())
            if (known & yes[:, column]).any()
            else None,
            "borderline": _rounded(((p >= NO_BELOW) & ~yes[known, column]).mean()),
            "measure_error_median": _rounded(np.median(error)),
            "interval_covers": _rounded((error <= INTERVAL_Z * posterior.sd[known, column]).mean()),
        }
    answered = np.isfinite(labels)
    return figures, reliability(labels[answered], chance[answered])


def reliability(labels: Array, chance: Array, bins: int = 15) -> list[dict[str, float]]:
    """Mean probability and share of yes in bins of equal width, with the answers in each; empty bins are left out."""
    which = np.minimum((chance * bins).astype(int), bins - 1)
    count = np.bincount(which, minlength=bins)
    sums = (np.bincount(which, chance, bins), np.bincount(which, labels, bins))
    return [
        {"predicted": _rounded(sums[0][k] / n), "observed": _rounded(sums[1][k] / n), "answers": int(n)}
        for k, n in enumerate(count)
        if n
    ]


def calibration_error(labels: Array, chance: Array, bins: int = 15) -> float:
    """Expected calibration error: mean gap of probability and frequency over equal-width bins, by count."""
    which = np.minimum((chance * bins).astype(int), bins - 1)
    count = np.bincount(which, minlength=bins)
    gap = np.abs(np.bincount(which, labels, bins) - np.bincount(which, chance, bins))
    return float(gap.sum() / count.sum())


def macro(figures: dict[str, Any], name: str) -> float:
    """Mean of one figure over the faults that have it."""
    return float(np.mean([row[name] for row in figures["faults"].values() if row[name] is not None]))


def _rounded(value: float) -> float:
    return round(float(value), 4)
