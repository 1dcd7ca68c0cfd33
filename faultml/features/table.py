"""The features of a batch of swings: one row a swing, one named column a feature.

Each group is a function of the windows, the landmarks and the phase curves alone, computed for the whole batch at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.channels import CHANNELS, LANDMARKS
from faultml.faults.catalogue import Catalogue
from faultml.faults.measure import (
    IMPACT_INDEX,
    PHASE_GRID,
    TOP_INDEX,
    evaluate_all,
    evaluate_guards,
    fault_measures,
    measure_table,
)
from faultml.features.readings import read_around, read_slopes, read_windows
from faultml.features.scan import Scan, scan
from faultml.features.unhinging import unhinging, unhinging_names
from faultml.motion.curves import END_SLACK_S, Curves
from faultml.motion.landmark_model import Landmarks
from faultml.motion.window import OFFSETS_S, RATE_HZ, Windows

Array = NDArray[np.float64]

_PHASE_READINGS: Final = np.searchsorted(
    PHASE_GRID + 1e-9,
    [
        0.1,
        0.2,
        0.3,
        0.4,
        0.5,
        0.6,
        0.7,
        0.8,
        0.9,
        1.0,
        1.1,
        1.2,
        1.3,
        1.4,
        1.5,
        1.6,
        1.7,
        1.8,
        1.9,
        2.0,
        2.1,
        2.2,
        2.3,
        2.5,
        2.8,
    ],
)
_AROUND_TOP_MS: Final = (-150, -100, -50, 50, 100, 150)
_AROUND_IMPACT_MS: Final = (-100, -80, -60, -40, -20, -10, 10, 20, 40, 60, 90, 130)
_WINDOW_EDGES: Final = (0.0, 0.34, 0.66, 1.0, 1.34, 1.66, 2.0, 2.4)
_WINDOW_FIRST: Final = np.array([np.flatnonzero(edge - 1e-9 <= PHASE_GRID)[0] for edge in _WINDOW_EDGES[:-1]])
_WINDOW_STOP: Final = np.array(
    [np.flatnonzero(edge + 1e-9 >= PHASE_GRID)[-1] + 1 for edge in _WINDOW_EDGES[1:]]
)
_TIMING_NAMES: Final = (
    *(
        f"timing:{what}_{channel}"
        for what in ("rate_max", "rate_min", "max_at", "min_at")
        for channel in CHANNELS
    ),
    *(
        f"timing:{what}"
        for what in ("peak_rate", "peak_at", "hinged_at", "opened_at", "back", "down", "through", "tempo")
    ),
)
_SETTING_NAMES: Final = (
    *(f"address:{channel}" for channel in CHANNELS),
    "has_pronation",
    "marked",
    *(f"sd:{name}" for name in LANDMARKS),
    "anchor_to_impact",
    "still_s",
    "after_s",
    "rate",
    *(f"noise:{channel}" for channel in CHANNELS),
    "path_before",
    "path_after",
    "path_through",
    "range:flexion",
    "range:ulnar",
    "turned_by_top",
)
_SHIFTED: Final = ("takeaway", "top", "impact")


@dataclass(frozen=True)
class Features:
    """Features of a batch.

    Attributes
    ----------
    values
        ``(n_swings, n_features)`` finite numbers.
    names
        One name a column.
    measures, guards
        ``(n_swings, n_faults)`` and ``(n_swings, n_guards)``: the catalogue's measures at the detected landmarks, NaN
        where they cannot be had.
    sensitivity
        ``(n_swings, n_faults)`` how far a measure moves when every landmark is off by one standard deviation.
    """

    values: Array
    names: tuple[str, ...]
    measures: Array
    guards: Array
    sensitivity: Array

    def __len__(self) -> int:
        return len(self.values)


def compute_features(
    catalogue: Catalogue, windows: Windows, landmarks: Landmarks, curves: Curves
) -> Features:
    """Every feature of every swing of a batch."""
    measures = evaluate_all(catalogue, curves.d_deg)
    guards = evaluate_guards(catalogue, curves.d_deg)
    lacking = np.isnan(measures)
    # A measure that cannot be had stands on its edge: it speaks neither for the fault nor against it.
    edges = np.array([fault.edge for fault in catalogue.faults])
    slopes = _sensitivity(catalogue, windows, landmarks, curves)
    found = scan(windows, landmarks.offset_s)
    groups = [
        np.where(lacking, edges, measures),
        guards,
        lacking,
        *slopes,
        unhinging(catalogue, curves.d_deg),
        curves.d_deg[:, :, _PHASE_READINGS].reshape(len(measures), -1),
        _around("top", _AROUND_TOP_MS, windows, landmarks, curves),
        _around("impact", _AROUND_IMPACT_MS, windows, landmarks, curves),
        _timing(landmarks, found),
        _window_statistics(curves),
        _setting(windows, landmarks, curves, found),
    ]
    values = np.concatenate(groups, axis=1, dtype=np.float64)
    np.copyto(values, 0.0, where=~np.isfinite(values))
    return Features(
        values=values,
        names=feature_names(catalogue),
        measures=measures,
        guards=guards,
        sensitivity=np.sqrt(np.nansum(slopes**2, axis=0)),
    )


@lru_cache(maxsize=8)
def feature_names(catalogue: Catalogue) -> tuple[str, ...]:
    """One name a column, in the order of `compute_features`."""
    guarded = [fault.id for fault in catalogue.faults if fault.guard]
    around = (("top", _AROUND_TOP_MS), ("impact", _AROUND_IMPACT_MS))
    return (
        *(f"measure:{name}" for name in catalogue.ids),
        *(f"guard:{name}" for name in guarded),
        *(f"lacks:{name}" for name in catalogue.ids),
        *(f"shift_{landmark}:{name}" for landmark in _SHIFTED for name in catalogue.ids),
        *unhinging_names(catalogue),
        *(f"phase:{channel}@{PHASE_GRID[at]:.2f}" for channel in CHANNELS for at in _PHASE_READINGS),
        *(
            f"{landmark}:{channel}{moment:+d}ms"
            for landmark, moments_ms in around
            for channel in CHANNELS
            for moment in moments_ms
        ),
        *_TIMING_NAMES,
        *(
            f"window:{channel}_{what}@{first:.2f}"
            for first in _WINDOW_EDGES[:-1]
            for what in ("mean", "sd", "min", "max")
            for channel in CHANNELS
        ),
        *(f"setting:{name}" for name in _SETTING_NAMES),
    )


def _sensitivity(catalogue: Catalogue, windows: Windows, landmarks: Landmarks, curves: Curves) -> Array:
    """Half the change of each measure between a landmark one SD late and one SD early, ``(3, n_swings, n_faults)``."""
    slopes = np.empty((len(_SHIFTED), len(windows), len(catalogue.ids)))
    read_slopes(
        measure_table(fault_measures(catalogue)),
        windows.angles_deg,
        np.ascontiguousarray(curves.offset_s),
        np.ascontiguousarray(landmarks.sd_s),
        curves.address_deg,
        windows.end_s + END_SLACK_S,
        windows.has_pronation,
        curves.d_deg,
        PHASE_GRID,
        TOP_INDEX,
        slopes,
    )
    return slopes


def _around(
    landmark: str, moments_ms: tuple[int, ...], windows: Windows, landmarks: Landmarks, curves: Curves
) -> Array:
    """Angles relative to address at fixed times about a landmark: what phases stretch, these do not."""
    out = np.empty((len(windows), len(CHANNELS) * len(moments_ms)))
    read_around(
        windows.angles_deg,
        np.ascontiguousarray(landmarks.offset_s),
        LANDMARKS.index(landmark),
        np.array(moments_ms) / 1000,
        curves.address_deg,
        OFFSETS_S[0],
        RATE_HZ,
        out,
    )
    return out


def _timing(landmarks: Landmarks, found: Scan) -> Array:
    """Fastest moments and rates in the downswing, the most hinged moment, durations."""
    takeaway, top, impact, finish = landmarks.offset_s.T
    return np.column_stack(
        [
            found.fastest_dps,
            found.slowest_dps,
            found.fastest_s - impact[:, None],
            found.slowest_s - impact[:, None],
            found.peak_dps,
            found.peak_s - impact,
            found.hinged_s - top,
            found.opened_s - top,
            top - takeaway,
            impact - top,
            finish - impact,
            np.log((top - takeaway) / (impact - top)),
        ]
    )


def _window_statistics(curves: Curves) -> Array:
    """Mean, spread, least and greatest of each channel in seven windows of the swing."""
    out = np.empty((len(curves.d_deg), 4 * len(CHANNELS) * len(_WINDOW_FIRST)))
    read_windows(curves.d_deg, _WINDOW_FIRST, _WINDOW_STOP, out)
    return out


def _setting(windows: Windows, landmarks: Landmarks, curves: Curves, found: Scan) -> Array:
    """What the recording is like: address, what is missing, how sure the landmarks are, movement outside the swing."""
    impact = landmarks.offset_s[:, 2]
    return np.column_stack(
        [
            curves.address_deg,
            windows.has_pronation,
            windows.marked,
            np.log(landmarks.sd_s),
            landmarks.offset_s[:, 2],
            np.clip(windows.start_s - landmarks.offset_s[:, 0], -1, 1),
            np.clip(windows.end_s - impact, -0.5, 1),
            np.log(np.clip(windows.sample_rate_hz, 20, 1000)),
            np.log(windows.noise_deg + 0.05),
            np.log1p(found.before_deg),
            np.log1p(found.after_deg),
            np.log1p(found.through_deg),
            np.ptp(curves.d_deg[:, :2, : IMPACT_INDEX + 1], axis=2),
            np.abs(curves.d_deg[:, :2, TOP_INDEX]).sum(axis=1),
        ]
    )
