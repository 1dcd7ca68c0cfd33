"""The closure budget of every player, and the hand they play with, summed batch by batch."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

import numpy as np
import pandas as pd

from faultml.report.charts import PhaseClosure

PHASES: Final = {"backswing": "backswing", "downswing": "downswing", "release": "after impact"}
"""Phases of the closure columns, with the words of the page."""

PARTS: Final = ("bend", "roll")
COLUMNS: Final = tuple(f"closure_{phase}_{part}_deg" for phase in PHASES for part in PARTS)
HANDS: Final = ("right", "left")


def sum_closures(swings: pd.DataFrame) -> pd.DataFrame:
    """Per player of a batch: counts of each hand, and count, sum and sum of squares of the closure columns.

    Needs ``player, hand, assessed`` and `COLUMNS`; swings not assessed count for nothing.
    """
    done = swings[swings["assessed"].to_numpy(bool)]
    player, players = pd.factorize(done["player"], sort=True)
    values = {name: done[name].to_numpy(float) for name in COLUMNS}
    known = {name: np.nan_to_num(value) for name, value in values.items()}
    parts = {f"n_{name}": np.isfinite(value) for name, value in values.items()}
    parts |= known | {f"squares_{name}": value**2 for name, value in known.items()}
    parts |= {hand: done["hand"].eq(hand).to_numpy(bool) for hand in HANDS}
    sums = {name: np.bincount(player, part, len(players)) for name, part in parts.items()}
    return pd.DataFrame(sums, index=pd.Index(players, name="player"))


def no_closures() -> pd.DataFrame:
    """The sums of no swing at all."""
    nothing = {name: pd.Series(dtype=float) for name in COLUMNS}
    words = {name: pd.Series(dtype=str) for name in ("player", "hand")}
    return sum_closures(pd.DataFrame({**words, "assessed": pd.Series(dtype=bool), **nothing}))


def merge_closures(parts: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """Sums of several batches together."""
    return pd.concat(list(parts)).groupby(level=0).sum()


def budget(sums: Mapping[str, float]) -> list[PhaseClosure]:
    """Mean and SD by phase from a player's sums."""
    phases = []
    for phase, words in PHASES.items():
        figures = [_mean_and_sd(sums, f"closure_{phase}_{part}_deg") for part in PARTS]
        phases.append(PhaseClosure(words, *figures[0], *figures[1]))
    return phases


def hand(sums: Mapping[str, float]) -> str:
    """The hand of most of a player's swings, "" where no recording says."""
    most = max(HANDS, key=lambda each: sums.get(each, 0))
    return most if sums.get(most, 0) > 0 else ""


def _mean_and_sd(sums: Mapping[str, float], name: str) -> tuple[float, float]:
    n = sums[f"n_{name}"]
    if n == 0:
        return np.nan, np.nan
    mean = sums[name] / n
    variance = (sums[f"squares_{name}"] - n * mean**2) / (n - 1) if n > 1 else np.nan
    return float(mean), float(np.sqrt(np.maximum(variance, 0)))
