"""Has a player's address moved since the last session? From sums, so that memory does not grow with the swings."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from faultml.channels import CHANNELS
from faultml.recordings.findings import MotionLimits

CODE: Final = "address-drift"
_SESSION: Final = ["player", "session"]
_MOST_PARTS: Final = 32
"""Batches kept apart before they are added together."""
_COLUMNS: Final = [f"address_{name}" for name in CHANNELS]


class AddressSums:
    """Counts, sums and squares of the address angles, a row a player and session."""

    def __init__(self) -> None:
        self._parts: list[pd.DataFrame] = []

    def add(self, swings: pd.DataFrame) -> None:
        """Take in a batch's ``swings`` table."""
        player, players = pd.factorize(swings["player"])
        session, sessions = pd.factorize(swings["session"])
        seen, group = np.unique(player * len(sessions) + session, return_inverse=True)
        sums: dict[str, NDArray[np.float64]] = {}
        for name in _COLUMNS:
            angle = swings[name].to_numpy(float)
            known = np.nan_to_num(angle)
            of = {"n": np.isfinite(angle).astype(float), "sum": known, "square": known**2}
            sums |= {
                f"{what}_{name}": np.bincount(group, each, len(seen)).astype(float)
                for what, each in of.items()
            }
        ids = [players[seen // max(len(sessions), 1)], sessions[seen % max(len(sessions), 1)]]
        self._parts.append(pd.DataFrame(sums, index=pd.MultiIndex.from_arrays(ids, names=_SESSION)))
        if len(self._parts) == _MOST_PARTS:
            self._parts = [self._total()]

    def _total(self) -> pd.DataFrame:
        parts = [part for part in self._parts if len(part)]
        return pd.concat(parts).groupby(level=[0, 1]).sum() if parts else pd.DataFrame()

    def drifts(self, order: Callable[[pd.DataFrame], pd.Series], limits: MotionLimits) -> pd.DataFrame:
        """How far each session's mean address lies from that of the session before it.

        Parameters
        ----------
        order
            Places of sessions in their player's order, from a frame with player and session.

        Returns
        -------
        One row a player, session with an earlier one, and channel: ``player, session, before, channel, change_deg,
        drifted``; `change_deg` is NaN where either session has too few swings.
        """
        columns = [*_SESSION, "before", "channel", "change_deg", "drifted"]
        sums = self._total()
        if sums.empty:
            return pd.DataFrame(columns=columns)
        sums = sums.reset_index()
        sums = sums.assign(place=order(sums[_SESSION])).sort_values(["player", "place"], ignore_index=True)
        player, session = sums["player"].to_numpy(object), sums["session"].to_numpy(object)
        later = np.flatnonzero(player[1:] == player[:-1]) + 1
        frames = []
        for channel, column in enumerate(_COLUMNS):
            n = sums[f"n_{column}"].to_numpy(float)
            n = np.where(n >= limits.drift_least_swings, n, np.nan)
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
