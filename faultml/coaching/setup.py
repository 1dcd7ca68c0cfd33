"""The setup: a player's usual address, and what it warns of."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import pandas as pd

from faultml.care.rules import Setup
from faultml.coaching.rules import AddressRules
from faultml.faults.catalogue import Address

ANGLES: Final = ("flexion_deg", "ulnar_deg", "pronation_deg")

FROM_ADDRESS: Final = ("at", "min", "max")
"""Measures that are one angle, read from the address: they move with the setup. Differences and shares do not."""

EXTENSION_HIGH: Final = "address-extension-high"
EXTENSION_LOW: Final = "address-extension-low"
DRIFT: Final = "address-drift"


@dataclass(frozen=True)
class PlayerSetup:
    """A player's usual address: the median of the session means, degrees.

    Attributes
    ----------
    setup
        Angles; those of the reference setup where nothing was measured.
    measured
        Whether they are the player's own.
    drift_deg
        Largest less smallest session mean of each channel that spreads over sessions by more than the rules
        allow.
    warnings
        Codes of what the setup warns of.
    """

    setup: Setup
    measured: bool
    drift_deg: dict[str, float] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()


def player_setups(
    sessions: pd.DataFrame, reference: Setup, address: Address, rules: AddressRules
) -> dict[str, PlayerSetup]:
    """Every player's setup, from `Summary.sessions`."""
    columns = [f"address_{angle}" for angle in ANGLES]
    sums = sessions.groupby(["player", "session"])[["n_address", "n_pronation", *columns]].sum()
    counts = np.column_stack([sums["n_address"], sums["n_address"], sums["n_pronation"]])
    means = sums[columns].set_axis(ANGLES, axis="columns") / np.where(counts > 0, counts, np.nan)
    usual = means.groupby("player").median()
    steady = means.where(counts >= rules.min_swings).groupby("player")
    spread = steady.max() - steady.min()
    return {
        str(player): _setup(
            usual.loc[player].to_dict(), spread.loc[player].to_dict(), reference, address, rules
        )
        for player in usual.index
    }


def _setup(
    usual: dict[str, float], spread: dict[str, float], reference: Setup, address: Address, rules: AddressRules
) -> PlayerSetup:
    if np.isnan(usual["flexion_deg"]):
        return PlayerSetup(reference, measured=False)
    angles = {name: getattr(reference, name) if np.isnan(angle) else angle for name, angle in usual.items()}
    drift = {name: wide for name, wide in spread.items() if wide > getattr(rules, f"drift_{name}")}
    extension = -angles["flexion_deg"]
    warned = {
        EXTENSION_HIGH: extension > address.extension_high,
        EXTENSION_LOW: extension < address.extension_low,
        DRIFT: bool(drift),
    }
    return PlayerSetup(Setup(**angles), True, drift, tuple(code for code, seen in warned.items() if seen))
