"""Write a synthetic season: recordings and roster in one folder, the truth in another."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd

from faultml.channels import CHANNELS, ID_COLUMNS
from faultml.faults.measure import PHASE_GRID
from faultml.recordings.write import write_season
from faultml.synthetic.season import SyntheticSeason


def write_synthetic(season: SyntheticSeason, out: Path, season_format: Literal["parquet", "csv"]) -> None:
    """Leave ``season/`` (recordings and roster.csv) and ``truth/`` (recordings.parquet, curves.parquet) in `out`."""
    write_season(season.batch, out / "season" / f"season.{season_format}", format=season_format)
    season.roster.to_csv(out / "season" / "roster.csv", index=False)
    truth = out / "truth"
    truth.mkdir(parents=True, exist_ok=True)
    season.truth.to_parquet(truth / "recordings.parquet", index=False)
    _curves(season).to_parquet(truth / "curves.parquet", index=False)


def _curves(season: SyntheticSeason) -> pd.DataFrame:
    """True curves of the full swings relative to address, on the phase grid."""
    full = np.flatnonzero(np.isfinite(season.phase_deg[:, 0, 0]))
    frame = season.truth.loc[full, list(ID_COLUMNS)].reset_index(drop=True)
    frame["phase"] = [PHASE_GRID] * len(full)
    for channel, name in enumerate(CHANNELS):
        frame[name] = list(season.phase_deg[full, channel].astype(np.float32))
    return frame
