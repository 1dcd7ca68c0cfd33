"""The setup: a player's usual address, and what it warns of."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import pandas as pd

from faultml.coaching.care import Setup
from faultml.coaching.rules import AddressRules
from faultml.faults.catalogue import Address

ANGLES: Final = ("flexion_deg", "ulnar_deg", "pronation_deg")

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


def player_setup(
    sessions: pd.DataFrame, reference: Setup, address: Address, rules: AddressRules
) -> PlayerSetup:
    """The setup in a player's rows of `Summary.sessions`."""
    sums = sessions.groupby("session")[
        ["n_address", "n_pronation", *(f"address_{angle}" for angle in ANGLES)]
    ].sum()
    counts = {angle: sums["n_pronation" if angle == "pronation_deg" else "n_address"] for angle in ANGLES}
    means = {
        angle: (sums[f"address_{angle}"] / counts[angle])[counts[angle] > 0].to_numpy(float)
        for angle in ANGLES
    }
    if not len(means["flexion_deg"]):
        return PlayerSetup(reference, measured=False)
    angles = {
        angle: float(np.median(mean)) if len(mean) else getattr(reference, angle)
        for angle, mean in means.items()
    }
    steady = {
        angle: means[angle][(counts[angle][counts[angle] > 0] >= rules.least_swings).to_numpy()]
        for angle in ANGLES
    }
    spread = {angle: float(np.ptp(mean)) for angle, mean in steady.items() if len(mean) > 1}
    drift = {angle: wide for angle, wide in spread.items() if wide > getattr(rules, f"drift_{angle}")}
    extension = -angles["flexion_deg"]
    warned = {
        EXTENSION_HIGH: extension > address.extension_high,
        EXTENSION_LOW: extension < address.extension_low,
        DRIFT: bool(drift),
    }
    return PlayerSetup(Setup(**angles), True, drift, tuple(code for code, seen in warned.items() if seen))
