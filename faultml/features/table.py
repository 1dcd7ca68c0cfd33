"""The features of a batch of swings: one row a swing, one named column a feature.

Each group is a function of the windows, the landmarks and the phase curves alone, computed for the whole batch at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.channels import CHANNELS, LANDMARKS
from faultml.faults.catalogue import Catalogue
from faultml.faults.measure import IMPACT_INDEX, PHASE_GRID, TOP_INDEX, evaluate_all, evaluate_guards
from faultml.features.scan import Scan, scan
from faultml.features.unhinging import unhinging
from faultml.motion.curves import Curves
from faultml.motion.landmarks import Landmarks
from faultml.motion.window import Windows

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
    # A measure that cannot be had stands on its edge: it speaks neither for the fault nor against it.
    edges = np.array([fault.edge for fault in catalogue.faults])
    slopes = _sensitivity(catalogue, windows, landmarks, curves, measures)
    found = scan(windows, landmarks.offset_s)
    groups = [
        _named("measure", catalogue.ids, np.where(np.isnan(measures), edges, measures)),
        _named("guard", [fault.id for fault in catalogue.faults if fault.guard], guards),
        _named("lacks", catalogue.ids, np.isnan(measures)),
        *(_named(f"shift_{name}", catalogue.ids, slopes[name]) for name in _SHIFTED),
        unhinging(catalogue, curves.d_deg),
        _phase_readings(curves),
        _around("top", _AROUND_TOP_MS, windows, landmarks, curves),
        _around("impact", _AROUND_IMPACT_MS, windows, landmarks, curves),
        _timing(landmarks, found),
        _window_statistics(curves),
        _setting(windows, landmarks, curves, found),
    ]
    values = np.column_stack([group[1] for group in groups])
    names = tuple(name for group in groups for name in group[0])
    return Features(
        values=np.nan_to_num(values, nan=0.0, posinf=0.0, neginf=0.0),
        names=names,
        measures=measures,
        guards=guards,
        sensitivity=np.sqrt(np.nansum([slopes[name] ** 2 for name in _SHIFTED], axis=0)),
    )


_Group = tuple[list[str], Array]


def _named(prefix: str, names: list[str] | tuple[str, ...], values: Array) -> _Group:
    return [f"{prefix}:{name}" for name in names], values


def _sensitivity(
    catalogue: Catalogue, windows: Windows, landmarks: Landmarks, curves: Curves, measures: Array
) -> dict[str, Array]:
    """Half the change of each measure between a landmark one SD late and one SD early."""
    slopes = {}
    for name in _SHIFTED:
        sd_s = landmarks.sd_s[:, LANDMARKS.index(name)]
        late = evaluate_all(catalogue, curves.shifted(windows, name, sd_s).d_deg)
        early = evaluate_all(catalogue, curves.shifted(windows, name, -sd_s).d_deg)
        slopes[name] = (late - early) / 2
    return slopes


def _phase_readings(curves: Curves) -> _Group:
    read = curves.d_deg[:, :, _PHASE_READINGS]
    names = [f"phase:{channel}@{PHASE_GRID[at]:.2f}" for channel in CHANNELS for at in _PHASE_READINGS]
    return names, read.reshape(len(read), -1)


def _around(
    landmark: str, moments_ms: tuple[int, ...], windows: Windows, landmarks: Landmarks, curves: Curves
) -> _Group:
    """Angles relative to address at fixed times about a landmark: what phases stretch, these do not."""
    at = landmarks.offset_s[:, [LANDMARKS.index(landmark)]] + np.array(moments_ms) / 1000
    read = windows.angles_at(at) - curves.address_deg[:, :, None]
    names = [f"{landmark}:{channel}{moment:+d}ms" for channel in CHANNELS for moment in moments_ms]
    return names, read.reshape(len(read), -1)


def _timing(landmarks: Landmarks, found: Scan) -> _Group:
    """Fastest moments and rates in the downswing, the most hinged moment, durations."""
    takeaway, top, impact, finish = landmarks.offset_s.T
    values = np.column_stack(
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
    names = [
        f"timing:{what}_{channel}"
        for what in ("rate_max", "rate_min", "max_at", "min_at")
        for channel in CHANNELS
    ]
    names += [
        f"timing:{what}"
        for what in ("peak_rate", "peak_at", "hinged_at", "opened_at", "back", "down", "through", "tempo")
    ]
    return names, values


def _window_statistics(curves: Curves) -> _Group:
    """Mean, spread, least and greatest of each channel in seven windows of the swing."""
    values, names = [], []
    d_deg = np.nan_to_num(curves.d_deg)
    for first, last in pairwise(_WINDOW_EDGES):
        part = d_deg[:, :, (first - 1e-9 <= PHASE_GRID) & (last + 1e-9 >= PHASE_GRID)]
        values += [part.mean(axis=2), part.std(axis=2), part.min(axis=2), part.max(axis=2)]
        names += [
            f"window:{channel}_{what}@{first:.2f}"
            for what in ("mean", "sd", "min", "max")
            for channel in CHANNELS
        ]
    return names, np.concatenate(values, axis=1)


def _setting(windows: Windows, landmarks: Landmarks, curves: Curves, found: Scan) -> _Group:
    """What the recording is like: address, what is missing, how sure the landmarks are, movement outside the swing."""
    impact = landmarks.offset_s[:, 2]
    values = np.column_stack(
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
    names = [f"address:{channel}" for channel in CHANNELS] + ["has_pronation", "marked"]
    names += [f"sd:{name}" for name in LANDMARKS] + ["anchor_to_impact", "still_s", "after_s", "rate"]
    names += [f"noise:{channel}" for channel in CHANNELS] + ["path_before", "path_after", "path_through"]
    names += ["range:flexion", "range:ulnar", "turned_by_top"]
    return [f"setting:{name}" for name in names], values
