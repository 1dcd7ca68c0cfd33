"""The closure budget of every player, and the hand they play with, summed batch by batch."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import pandas as pd
import pyarrow as pa

from faultml.exact import Columns, add_groups, from_units, table_of

PHASES: Final = ("backswing", "downswing", "release")
PARTS: Final = ("bend", "roll")
NAMES: Final = tuple(f"closure_{phase}_{part}_deg" for phase in PHASES for part in PARTS)
HANDS: Final = ("right", "left")
SUMS: Final = (
    *(f"n_{name}" for name in NAMES),
    *NAMES,
    *(f"squares_{name}" for name in NAMES),
    *(f"n_{hand}" for hand in HANDS),
)
COLUMNS: Final = Columns(("player",), SUMS)


def sum_closures(swings: pd.DataFrame) -> pa.Table:
    """Per player of a batch: counts of each hand, and count, sum and sum of squares of the closure columns.

    Needs ``player, hand, assessed`` and `NAMES`; swings not assessed count for nothing. The sums are integers, see
    `faultml.exact`.
    """
    done = swings[swings["assessed"].to_numpy(bool)]
    player, players = pd.factorize(done["player"], sort=True)
    values = {name: done[name].to_numpy(float) for name in NAMES}
    known = {name: np.nan_to_num(value) for name, value in values.items()}
    parts = {f"n_{name}": np.isfinite(value) for name, value in values.items()}
    parts |= known | {f"squares_{name}": value**2 for name, value in known.items()}
    parts |= {f"n_{hand}": done["hand"].eq(hand).to_numpy(bool) for hand in HANDS}
    sums = {name: add_groups(name, player, parts[name], len(players)) for name in SUMS}
    return table_of({"player": [str(each) for each in players]}, sums)


def by_player(sums: pa.Table) -> Mapping[str, Mapping[str, float]]:
    """The sums of each player as numbers, from tables of `sum_closures` added up."""
    columns = {name: from_units(name, sums[name].to_numpy()) for name in SUMS}
    return {
        player: {name: float(values[row]) for name, values in columns.items()}
        for row, player in enumerate(sums["player"].to_pylist())
    }
