"""What the page says of a player's closure budget and hand, from the season's sums."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from faultml.coaching.closures import HANDS, PARTS
from faultml.report.charts import PhaseClosure

WORDS: Final = {"backswing": "backswing", "downswing": "downswing", "release": "after impact"}
"""Phases of the closure columns, with the words of the page."""


def budget(sums: Mapping[str, float]) -> list[PhaseClosure]:
    """Mean and SD by phase from a player's sums."""
    phases = []
    for phase, words in WORDS.items():
        figures = [_mean_and_sd(sums, f"closure_{phase}_{part}_deg") for part in PARTS]
        phases.append(PhaseClosure(words, *figures[0], *figures[1]))
    return phases


def hand(sums: Mapping[str, float]) -> str:
    """The hand of most of a player's swings, "" where no recording says."""
    most = max(HANDS, key=lambda each: sums.get(f"n_{each}", 0))
    return most if sums.get(f"n_{most}", 0) > 0 else ""


def _mean_and_sd(sums: Mapping[str, float], name: str) -> tuple[float, float]:
    n = sums[f"n_{name}"]
    if n == 0:
        return np.nan, np.nan
    mean = sums[name] / n
    variance = (sums[f"squares_{name}"] - n * mean**2) / (n - 1) if n > 1 else np.nan
    return float(mean), float(np.sqrt(np.maximum(variance, 0)))
