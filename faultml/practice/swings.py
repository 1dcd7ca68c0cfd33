"""A swing at full speed in the middle of practice: read after it has ended, by the model that classifies a season."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from faultml.classifier.bundle import Bundle, load_bundle
from faultml.coaching.window import Window, margins_deg
from faultml.faults.catalogue import Catalogue, load_catalogue
from faultml.practice.frames import Sample
from faultml.practice.judge import Judged, Target
from faultml.practice.rules import load_practice_rules
from faultml.streams.classify import MovementClassifier, Samples

_NOT_FULL = Judged(float("nan"), "no-full-swing")
_FEWEST = 40


class ModelReader:
    """Landmarks, swing filter and window of a swing, as `faultml cut` and `faultml classify` have them."""

    def __init__(self, bundle: Bundle | None = None, catalogue: Catalogue | None = None) -> None:
        self._classifier = MovementClassifier(bundle or load_bundle(), catalogue or load_catalogue())
        self._rules = load_practice_rules()

    def read(self, samples: Iterable[Sample], target: Target) -> Judged:
        """How far inside its window a swing lies, degrees; ``no-full-swing`` where the swing filter says so."""
        table = np.array([each[:4] for each in samples], dtype=float)
        if len(table) < _FEWEST:
            return _NOT_FULL
        rising = np.diff(table[:, 0], prepend=-np.inf) > 0
        table = table[rising & np.isfinite(table[:, :3]).all(axis=1)]
        swing = self._classifier.classify([Samples(table[:, 0], table[:, 1:].T.copy(), float("nan"))])[0]
        if swing.reason:
            return _NOT_FULL
        address = swing.address_deg
        off = np.abs(address - np.asarray(target.usual_setup_deg))
        if np.nanmax(off) > self._rules.repetition.setup_deg:
            return Judged(float("nan"), "setup-differs")
        placed = target.placed_at((float(address[0]), float(address[1]), float(address[2])))
        if not placed.usable or not isinstance(placed.window, Window):
            return Judged(float("nan"), "no-window")
        margin = float(margins_deg(placed.window, swing.d_deg[None])[0])
        return Judged(margin) if np.isfinite(margin) else Judged(margin, "no-channel")
