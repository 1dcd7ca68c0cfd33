"""Has a player's address moved since the last session? From sums, so that memory does not grow with the swings."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from faultml.channels import CHANNELS
from faultml.exact import Columns, add_groups, from_units, table_of
from faultml.recordings.findings import MotionLimits

CODE: Final = "address-drift"
_SESSION: Final = ["player", "session"]
_ANGLES: Final = [f"address_{name}" for name in CHANNELS]
SUMS: Final = tuple(f"{what}_{name}" for name in _ANGLES for what in ("n", "sum", "square"))
COLUMNS: Final = Columns(_SESSION, SUMS)


def sum_address(swings: pd.DataFrame) -> pa.Table:
    """Counts, sums and squares of the address angles of a batch's ``swings``, a row a player and session.

    They are integers, see `faultml.exact`, and are added by `faultml.exact.add_tables`.
    """
    player, players = pd.factorize(swings["player"])
    session, sessions = pd.factorize(swings["session"])
    seen, group = np.unique(player * len(sessions) + session, return_inverse=True)
    values: dict[str, NDArray] = {}
    for name in _ANGLES:
        angle = swings[name].to_numpy(float)
        known = np.nan_to_num(angle)
        values |= {f"n_{name}": np.isfinite(angle), f"sum_{name}": known, f"square_{name}": known**2}
    each = max(len(sessions), 1)
    ids = {
        "player": [str(players[at]) for at in seen // each],
        "session": [str(sessions[at]) for at in seen % each],
    }
    return table_of(ids, {name: add_groups(name, group, values[name], len(seen)) for name in SUMS})


def address_drifts(
    table: pa.Table, order: Callable[[pd.DataFrame], pd.Series], limits: MotionLimits
) -> pd.DataFrame:
    """How far each session's mean address lies from that of the session before it.

    Parameters
    ----------
    table
        Of `sum_address`, added up: every session of the players in it.
    order
        Places of sessions in their player's order, from a frame with player and session.

    Returns
    -------
    One row a player, session with an earlier one, and channel: ``player, session, before, channel, change_deg,
    drifted``; `change_deg` is NaN where either session has too few swings.
    """
    columns = [*_SESSION, "before", "channel", "change_deg", "drifted"]
    if not len(table):
        return pd.DataFrame(columns=columns)
    numbers = {name: from_units(name, table[name].to_numpy()) for name in SUMS}
    sums = pd.DataFrame({key: table[key].to_pylist() for key in _SESSION} | numbers)
    sums = sums.assign(place=order(sums[_SESSION])).sort_values(["player", "place"], ignore_index=True)
    player, session = sums["player"].to_numpy(object), sums["session"].to_numpy(object)
    later = np.flatnonzero(player[1:] == player[:-1]) + 1
    frames = []
    for channel, column in enumerate(_ANGLES):
        n = sums[f"n_{column}"].to_numpy(float)
        n = np.where(n >= limits.drift_min_swings, n, np.nan)
        mean = sums[f"sum_{column}"].to_numpy(float) / n
        error2 = np.maximum(sums[f"square_{column}"].to_numpy(float) / n - mean**2, 0) / (n - 1)
        change = mean[later] - mean[later - 1]
        chance = limits.drift_z * np.sqrt(error2[later] + error2[later - 1])
        frames.append(
            pd.DataFrame(
                {
                    "player": player[later],
                    "session": session[later],
                    "before": session[later - 1],
                    "channel": CHANNELS[channel],
                    "change_deg": change,
                    "drifted": np.abs(change) > np.fmax(limits.drift_deg[channel], chance),
                }
            )
        )
    return pd.concat(frames, ignore_index=True)[columns]
