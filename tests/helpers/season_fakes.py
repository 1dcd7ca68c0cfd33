"""Small smooth swings and seasons for tests of reading, without the generator."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

LANDMARKS = {
    "flexion_deg": (-18.0, 2.0, 8.0, -30.0),
    "ulnar_deg": (8.0, -27.0, 12.0, -8.0),
    "pronation_deg": (5.0, 40.0, -12.0, -60.0),
}
"""Angles at address, top, impact and finish."""

BACKSWING_S, DOWNSWING_S, FOLLOW_S = 0.8, 0.26, 0.45


def fake_times(rate_hz: float = 200.0, address_s: float = 0.3, tail_s: float = 0.2) -> NDArray[np.float64]:
    """Sample times from address to finish."""
    return np.arange(round((address_s + BACKSWING_S + DOWNSWING_S + FOLLOW_S + tail_s) * rate_hz)) / rate_hz


def fake_angles(t_s: NDArray[np.float64], address_s: float = 0.3) -> dict[str, NDArray[np.float64]]:
    """A smooth swing's angles at these times."""
    knots_s = address_s + np.cumsum([0, BACKSWING_S, DOWNSWING_S, FOLLOW_S])
    segment = np.clip(np.searchsorted(knots_s, t_s, side="right") - 1, 0, 2)
    share = np.clip((t_s - knots_s[segment]) / np.diff(knots_s)[segment], 0, 1)
    smooth = share**3 * (10 - 15 * share + 6 * share**2)
    angles = {}
    for name, values in LANDMARKS.items():
        at = np.array(values)
        angles[name] = (at[segment] + (at[segment + 1] - at[segment]) * smooth).astype(np.float32)
    return angles


def fake_swing(
    rate_hz: float = 200.0, noise_deg: float = 0.0, seed: int = 0, **times: float
) -> dict[str, object]:
    """One row of a season table."""
    t_s = fake_times(rate_hz, **times)
    angles = fake_angles(t_s, times.get("address_s", 0.3))
    rng = np.random.default_rng(seed)
    noisy = {
        name: (flat + rng.normal(0, noise_deg, len(t_s))).astype(np.float32) for name, flat in angles.items()
    }
    return {"t_s": t_s, **noisy}


def fake_season(n_swings: int = 4, seed: int = 0, **swing: float) -> pd.DataFrame:
    """A season table of one player, one row a swing."""
    rows = [
        {
            "player": "p1",
            "session": "2026-05-01",
            "swing": f"{at + 1:03d}",
            **fake_swing(seed=seed + at, **swing),
        }
        for at in range(n_swings)
    ]
    return pd.DataFrame(rows)


def to_long(season: pd.DataFrame) -> pd.DataFrame:
    """The long layout of a season table: one row a sample."""
    samples = [name for name in ("t_s", "flexion_deg", "ulnar_deg", "pronation_deg") if name in season]
    long = season.explode(samples, ignore_index=True)
    return long.astype({name: np.float64 if name == "t_s" else np.float32 for name in samples})


def write_long(season: pd.DataFrame, path: Path) -> Path:
    """A season table as a long CSV file."""
    to_long(season).to_csv(path, index=False, lineterminator="\n")
    return path


def write_parquet(season: pd.DataFrame, path: Path) -> Path:
    """A season table as a Parquet file."""
    season.to_parquet(path, index=False)
    return path
