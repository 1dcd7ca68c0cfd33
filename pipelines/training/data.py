"""Training and evaluation data: synthetic golfers turned into windows and truth, golfer by golfer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace

import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from numpy.typing import NDArray

from faultml.channels import LANDMARKS, PRONATION
from faultml.faults.catalogue import Catalogue
from faultml.motion.window import Windows, make_windows
from faultml.synthetic.golfers import Golfers
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import GolferSeason, draw_golfer_season, roster_golfers

Array = NDArray[np.float64]

Drawer = Callable[[Catalogue, Recipe, Golfers, int], GolferSeason]

_MARK_ERROR_S = 0.001
_NO_BALL_SHARE = 0.10
"""Full swings without a ball, and so without a mark, among those of a recorder that marks contact."""


@dataclass(frozen=True)
class Drawn:
    """Recordings of synthetic golfers with their truth, row by row.

    Attributes
    ----------
    windows
        The recordings.
    truth
        As in `GolferSeason.truth`.
    """

    windows: Windows
    truth: pd.DataFrame

    def __len__(self) -> int:
        return len(self.truth)

    @property
    def full(self) -> NDArray[np.bool_]:
        """Which recordings are full swings."""
        return (self.truth["kind"] == "full").to_numpy()

    @property
    def golfers(self) -> NDArray[np.object_]:
        """The golfer of each recording."""
        return self.truth["player"].to_numpy(object)

    @property
    def offset_s(self) -> Array:
        """True landmark times relative to each window's anchor, ``(n, 4)``; NaN for what is no full swing."""
        return (
            self.truth[[f"{name}_s" for name in LANDMARKS]].to_numpy(float) - self.windows.anchor_s[:, None]
        )

    def measures(self, catalogue: Catalogue) -> Array:
        """True measures, ``(n, n_faults)``."""
        return self.truth[[f"measure_{fault}" for fault in catalogue.ids]].to_numpy(float)

    def guards(self, catalogue: Catalogue) -> Array:
        """True guard readings, ``(n, n_guards)``."""
        return self.truth[[f"guard_{fault.id}" for fault in catalogue.faults if fault.guard]].to_numpy(float)

    def rows(self, which: NDArray[np.bool_] | NDArray[np.int64]) -> Drawn:
        """Some of the recordings."""
        return Drawn(
            take_windows(self.windows, which),
            self.truth.iloc[np.arange(len(self))[which]].reset_index(drop=True),
        )


def take_windows(windows: Windows, which: NDArray[np.bool_] | NDArray[np.int64]) -> Windows:
    """Some of the windows."""
    return Windows(**{field.name: getattr(windows, field.name)[which] for field in fields(Windows)})


def draw(
    catalogue: Catalogue,
    recipe: Recipe,
    *,
    jobs: int,
    golfers: Golfers | None = None,
    drawer: Drawer = draw_golfer_season,
) -> Drawn:
    """Draw a recipe's golfers and put their recordings on even clocks; curves are kept in single precision.

    `golfers` and `drawer` stand in for the recipe's own golfers and the generator's way to draw a golfer's season.
    """
    golfers = golfers or roster_golfers(catalogue, recipe)
    parts = Parallel(n_jobs=jobs, batch_size=4)(
        delayed(_draw_golfer)(catalogue, recipe, golfers, index, drawer) for index in range(len(golfers))
    )
    windows = Windows(
        **{
            field.name: np.concatenate([getattr(part.windows, field.name) for part in parts])
            for field in fields(Windows)
        }
    )
    return Drawn(windows, pd.concat([part.truth for part in parts], ignore_index=True))


def _draw_golfer(catalogue: Catalogue, recipe: Recipe, golfers: Golfers, index: int, drawer: Drawer) -> Drawn:
    season = drawer(catalogue, recipe, golfers, index)
    windows = make_windows(season.batch)
    slim = replace(
        windows,
        angles_deg=windows.angles_deg.astype(np.float32),
        rates_dps=windows.rates_dps.astype(np.float32),
    )
    return Drawn(slim, season.truth)


def rescale(drawn: Drawn, random: np.random.Generator, *, share: float) -> Drawn:
    """The same recordings with flexion and ulnar deviation inflated or shrunk for a share of the golfers.

    Captures that infer the hand from a marker or two get the deviation's size wrong, up to nearly twofold. When the
    swing happens, and whether it is one, must not hang on that; what is measured in it does, so nothing is learned of
    measures from these.
    """
    windows = drawn.windows
    names, golfer = np.unique(drawn.golfers, return_inverse=True)
    flexion = np.exp(random.normal(0, 0.15, len(names)))
    ulnar = random.uniform(0.9, 1.9, len(names))
    factor = np.column_stack([flexion, ulnar, np.ones(len(names))])
    factor[random.random(len(names)) >= share] = 1.0
    scale = factor[golfer].astype(np.float32)
    start = windows.angles_deg[:, :, :1]
    return replace(
        drawn,
        windows=replace(
            windows,
            angles_deg=start + scale[:, :, None] * (windows.angles_deg - start),
            rates_dps=scale[:, :, None] * windows.rates_dps,
            noise_deg=scale * windows.noise_deg,
        ),
    )


def vary(
    drawn: Drawn, random: np.random.Generator, *, marked_share: float = 0.5, lost_share: float = 0.12
) -> Drawn:
    """The same recordings with contact marks given or taken away, and the forearm lost on some.

    Marks are a matter of the recorder: all of a golfer's contacts are marked or none, but for swings without a ball.
    Else a missing mark would speak against a full swing.
    """
    windows = drawn.windows
    count = len(windows)
    names, golfer = np.unique(drawn.golfers, return_inverse=True)
    marks = (random.random(len(names)) < marked_share)[golfer]
    contact = drawn.offset_s[:, LANDMARKS.index("impact")] + random.normal(0, _MARK_ERROR_S, count)
    hit = marks & (random.random(count) > _NO_BALL_SHARE)
    mark_s = np.where(drawn.full, np.where(hit, contact, np.nan), np.where(marks, windows.mark_s, np.nan))
    lost = random.random(count) < lost_share
    angles, rates, noise = windows.angles_deg.copy(), windows.rates_dps.copy(), windows.noise_deg.copy()
    for values in (angles, rates, noise):
        values[lost, PRONATION] = 0
    return replace(
        drawn,
        windows=replace(
            windows,
            angles_deg=angles,
            rates_dps=rates,
            noise_deg=noise,
            mark_s=mark_s,
            has_pronation=windows.has_pronation & ~lost,
        ),
    )
