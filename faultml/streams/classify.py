"""What a batch of movements is: landmarks, then the cut about them, then the swing filter, as in `classify`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.channels import CHANNELS, LANDMARKS, PRONATION
from faultml.classifier.assess import NOT_FULL
from faultml.classifier.bundle import Bundle
from faultml.faults.catalogue import Catalogue
from faultml.features.table import compute_features
from faultml.motion.curves import Curves
from faultml.motion.window import make_windows
from faultml.recordings.checks import check_swings
from faultml.recordings.raw import RawSwings, raw_table
from faultml.recordings.swings import SwingBatch

Array = NDArray[np.float64]

ADDRESS_S: Final = 0.6
"""How much is kept before the takeaway: 0.3 s of stillness and the takeaway's own uncertainty."""
FINISH_S: Final = 0.3
MIN_AFTER_IMPACT_S: Final = 1.2
"""A cut ends so long after the finish, and at least so long after impact."""
SURE_SD: Final = 2.0
"""By how many standard deviations of takeaway and finish a cut is longer still."""

TAKEAWAY, _, IMPACT, FINISH = range(len(LANDMARKS))

NO_BACKSWING: Final = "no-backswing"
MIN_LEAD_S: Final = -0.1
"""A cut that begins later than this after the takeaway lacks the backswing: something faster, or a gap, came before."""


@dataclass(frozen=True)
class Samples:
    """Samples of one movement, with room about it; its contact mark, how surely it is placed and what placed it."""

    t_s: Array
    angles_deg: Array
    mark_s: float
    mark_sd_s: float = np.nan
    mark_from: str = ""

    def between(self, start_s: float, end_s: float) -> Samples:
        """Those from `start_s` to `end_s`."""
        first, stop = np.searchsorted(self.t_s, [start_s, end_s])
        inside = start_s <= self.mark_s <= end_s
        t_s, angles_deg = self.t_s[first:stop], self.angles_deg[:, first:stop]
        if not inside:
            return Samples(t_s, angles_deg, np.nan)
        return replace(self, t_s=t_s, angles_deg=angles_deg)


@dataclass(frozen=True)
class ClassifiedMovement:
    """A movement as cut: landmarks on the recording's clock ``(4,)``, why it is no swing ("" if it is one), and how
    sure the swing filter is that it is one; its curves as `Curves.d_deg` has them, ``(3, n_phases)``, and its
    address."""

    cut: Samples
    landmarks_s: Array
    reason: str
    score: float
    d_deg: Array
    address_deg: Array


class MovementClassifier:
    """Classify movements in batches; the result of one does not depend on the others."""

    def __init__(self, bundle: Bundle, catalogue: Catalogue) -> None:
        self._bundle = bundle
        self._catalogue = catalogue

    def classify(self, movements: Sequence[Samples]) -> list[ClassifiedMovement]:
        """Cut every movement about its landmarks, and classify the cut."""
        cuts = self._cut(movements)
        batch = check_swings(_raw(cuts)).batch
        windows = make_windows(batch)
        landmarks = self._bundle.detector.predict(windows)
        curves = Curves.read(windows, landmarks)
        features = compute_features(self._catalogue, windows, landmarks, curves).values
        score = self._bundle.swing_filter.predict_proba(features)[:, 1]
        full = self._bundle.swing_filter.predict(features)
        landmarks_s = landmarks.offset_s + windows.anchor_s[:, None]
        late = landmarks.offset_s[:, TAKEAWAY] - windows.start_s < MIN_LEAD_S
        reason = batch.table["reason"].to_numpy(object)
        score[reason != ""] = 0.0
        reason = np.where(reason != "", reason, np.where(~full, NOT_FULL, np.where(late, NO_BACKSWING, "")))
        return [
            ClassifiedMovement(cut, at_s, str(why), float(sure), d_deg, address_deg)
            for cut, at_s, why, sure, d_deg, address_deg in zip(
                cuts, landmarks_s, reason, score, curves.d_deg, curves.address_deg, strict=True
            )
        ]

    def _cut(self, movements: Sequence[Samples]) -> list[Samples]:
        windows = make_windows(_padded(movements))
        found = self._bundle.detector.predict(windows)
        at_s = found.offset_s + windows.anchor_s[:, None]
        start_s = at_s[:, TAKEAWAY] - ADDRESS_S - SURE_SD * found.sd_s[:, TAKEAWAY]
        end_s = at_s[:, FINISH] + FINISH_S + SURE_SD * found.sd_s[:, FINISH]
        end_s = np.maximum(end_s, at_s[:, IMPACT] + MIN_AFTER_IMPACT_S)
        return [
            samples.between(start, end) for samples, start, end in zip(movements, start_s, end_s, strict=True)
        ]


def _raw(cuts: Sequence[Samples]) -> RawSwings:
    names = [str(at) for at in range(len(cuts))]
    table = raw_table(
        len(cuts),
        player=names,
        session=names,
        swing=names,
        impact_s=[cut.mark_s for cut in cuts],
        impact_sd_s=[cut.mark_sd_s for cut in cuts],
    )
    return RawSwings(
        table,
        np.array([len(cut.t_s) for cut in cuts]),
        np.concatenate([cut.t_s for cut in cuts]),
        tuple(np.concatenate([cut.angles_deg[at] for cut in cuts]) for at in range(len(CHANNELS))),
    )


def _padded(movements: Sequence[Samples]) -> SwingBatch:
    """Movements as they stand; a forearm rotation with holes is left out, the landmarks can do without."""
    raw = _raw(movements)
    n_samples = raw.lengths
    filled = np.arange(n_samples.max()) < n_samples[:, None]
    t_s = np.full(filled.shape, np.nan)
    t_s[filled] = raw.t_s
    angles_deg = np.full((len(movements), len(CHANNELS), filled.shape[1]), np.nan)
    for channel, flat in enumerate(raw.angles_deg):
        angles_deg[:, channel][filled] = flat
    holed = (np.isnan(angles_deg[:, PRONATION]) & filled).any(axis=1)
    angles_deg[holed, PRONATION] = np.nan
    return SwingBatch(raw.table.to_pandas(), t_s, angles_deg, n_samples)
