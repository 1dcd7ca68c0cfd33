"""Figures of a drawn season to hold beside the published ones (`published.toml`). Calibration, no evidence."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Final, Literal

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
from numpy.typing import NDArray

from faultml.channels import CHANNELS, FLEXION, ID_COLUMNS, PRONATION, ULNAR
from faultml.faults.measure import IMPACT_INDEX, PHASE_GRID, TOP_INDEX, phase_times
from faultml.rules_file import Record, load_data
from faultml.synthetic.golfers import Golfers
from faultml.synthetic.write import TRUTH_CURVES, TRUTH_RECORDINGS

Array = NDArray[np.float64]

MAX_SWINGS: Final = 3000
"""Swings that the figures are taken from, spread evenly over a larger season."""

_DIRECTIONS: Final = (
    ("flexion", FLEXION, 1),
    ("extension", FLEXION, -1),
    ("ulnar", ULNAR, 1),
    ("radial", ULNAR, -1),
    ("pronation", PRONATION, 1),
    ("supination", PRONATION, -1),
)


class Published(Record, frozen=True):
    """One published figure, how it is known and how the generator came by its own."""

    id: str
    group: str
    name: str
    unit: str
    decimals: int
    axis: tuple[float, float]
    published: str
    source: str
    known: Literal["read", "memory", "derived", "measured", "practice"]
    made: Literal["drawn", "tuned", "kept"]
    summary: Literal["median", "mean", "value"]
    band: tuple[float, float] | None = None
    marks: tuple[float, ...] = ()
    note: str = ""


class _PublishedFile(Record, frozen=True):
    schema: Literal[1]
    figure: tuple[Published, ...]


@lru_cache(maxsize=1)
def load_published() -> tuple[Published, ...]:
    """The published figures in the order of the page."""
    return load_data("faultml.synthetic", "published.toml", _PublishedFile).figure


@dataclass(frozen=True)
class TrueSwings:
    """What is true of full swings of a season.

    Attributes
    ----------
    table
        One row a swing, as in `GolferSeason.truth`.
    phase_deg
        ``(n_swings, 3, n_phases)`` relative to address, on the phase grid.
    """

    table: pd.DataFrame
    phase_deg: Array

    @property
    def landmarks_s(self) -> Array:
        """``(n_swings, 4)`` takeaway, top, impact, finish."""
        return self.table[["takeaway_s", "top_s", "impact_s", "finish_s"]].to_numpy(float)


def read_true_swings(truth: Path) -> TrueSwings:
    """At most `MAX_SWINGS` full swings of a ``truth/`` folder as `write_synthetic` leaves it."""
    recordings = pd.read_parquet(truth / TRUTH_RECORDINGS)
    full = recordings[recordings["kind"] == "full"]
    chosen = np.unique(np.linspace(0, len(full) - 1, min(len(full), MAX_SWINGS)).astype(int))
    curves = pq.read_table(truth / TRUTH_CURVES, columns=[*ID_COLUMNS, *CHANNELS]).take(chosen)
    phase_deg = np.stack([np.array(curves[name].to_pylist(), dtype=float) for name in CHANNELS], axis=1)
    return TrueSwings(full.iloc[chosen].reset_index(drop=True), phase_deg.reshape(-1, 3, len(PHASE_GRID)))


def realised(swings: TrueSwings, golfers: Golfers) -> dict[str, Array]:
    """The season's values for every published figure, by id: one a swing, one a golfer, or a single one."""
    landmarks_s = swings.landmarks_s
    takeaway, top, impact, _ = landmarks_s.T
    times_s = phase_times(landmarks_s)
    ulnar = swings.phase_deg[:, ULNAR]
    rate_dps = np.gradient(ulnar, axis=1) / np.gradient(times_s, axis=1)
    fastest = TOP_INDEX + rate_dps[:, TOP_INDEX:-20].argmax(axis=1)
    hinged = 25 + ulnar[:, 25:130].argmin(axis=1)
    rows = np.arange(len(ulnar))
    skill = swings.table["player"].map(golfers.table.set_index("player")["skill"]).to_numpy(float)
    skilled = skill >= np.median(golfers.table["skill"])
    tempo = (top - takeaway) / (impact - top)
    between, within = _spreads(tempo, swings.table["player"].to_numpy(object))
    slope, straightness = _coupling(swings.phase_deg)
    return {
        "tempo": tempo,
        "tempo_between": between,
        "tempo_within": within,
        "downswing": impact - top,
        "most_hinged": 1000 * (times_s[rows, hinged] - top),
        "peak_ulnar": 1000 * (times_s[rows, fastest] - impact),
        "release_rate": rate_dps[skilled, TOP_INDEX : IMPACT_INDEX + 1].max(axis=1),
        "coupling": slope,
        "coupling_r2": straightness,
        **{
            f"range_{name}": abs(golfers.range_deg[:, channel, int(sign > 0)])
            for name, channel, sign in _DIRECTIONS
        },
        **{f"reached_{name}": _reached(swings, channel, sign) for name, channel, sign in _DIRECTIONS},
    }


def _spreads(values: Array, players: NDArray[np.object_]) -> tuple[Array, Array]:
    """SD between and within players, one value each: within is pooled, and its part in the players' means taken out."""
    groups = pd.Series(values).groupby(players)
    freedom = (groups.count() - 1).clip(lower=0)
    within = float(np.sqrt((groups.var().fillna(0) * freedom).sum() / max(freedom.sum(), 1)))
    by_chance = within**2 * float((1 / groups.count()).mean())
    between = float(np.sqrt(max(groups.mean().var(ddof=1) - by_chance, 0))) if groups.ngroups > 1 else np.nan
    return np.array([between]), np.array([within])


def _coupling(phase_deg: Array) -> tuple[Array, Array]:
    """Slope of flexion over ulnar deviation from d 0.6 to impact, and R² of that line, ``(n_swings,)`` each."""
    release = slice(IMPACT_INDEX - 40, IMPACT_INDEX + 1)
    flexion, ulnar = (phase_deg[:, channel, release] for channel in (FLEXION, ULNAR))
    flexion = flexion - flexion.mean(axis=1, keepdims=True)
    ulnar = ulnar - ulnar.mean(axis=1, keepdims=True)
    together, across, up = (flexion * ulnar).sum(axis=1), (ulnar**2).sum(axis=1), (flexion**2).sum(axis=1)
    return together / across, together**2 / (across * up)


def _reached(swings: TrueSwings, channel: int, sign: int) -> Array:
    address = swings.table[f"address_{CHANNELS[channel]}"].to_numpy(float)
    return (sign * (swings.phase_deg[:, channel] + address[:, None])).max(axis=1)
