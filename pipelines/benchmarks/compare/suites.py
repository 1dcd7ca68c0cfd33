"""The suites of the comparison: one in distribution with contact marked, one without, and the shifts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from faultml.channels import FLEXION, ULNAR
from faultml.faults.catalogue import Catalogue
from faultml.pipelines.benchmarks.compare.pendulum import draw_pendulum_season
from faultml.pipelines.training.data import Drawer, Drawn, draw
from faultml.pipelines.training.evaluate import with_marks, without_forearm
from faultml.synthetic.golfers import Golfers
from faultml.synthetic.patterns import load_patterns
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import GolferSeason, draw_golfer_season, roster_golfers
from faultml.synthetic.sensors import mount

Array = NDArray[np.float64]

SENSOR_TURN_DEG: Final = 15.0
NEW_PAIRS: Final = (
    ("flexed_top", "recupping"),
    ("cupped_top", "recupping"),
    ("early_set", "overset"),
    ("early_set", "underset"),
    ("flexing_downswing", "overflexed_impact"),
)
"""Pairs of faults that the generator never gives one golfer; see `synthetic.golfers`."""

_TEMPOS: Final = (1.6, 5.5)


@dataclass(frozen=True)
class Suite:
    """One suite.

    Attributes
    ----------
    id, words
        Its name, and what it is, for a reader.
    shift
        Whether it is a shift from what was trained on.
    marks
        Contact marked on all swings, on none, or as the recorders left it (half of them mark).
    recipe
        What differs from an everyday season.
    golfers
        Makes other golfers of the recipe's.
    drawer
        Draws a golfer's season.
    forearm
        Whether forearm rotation is recorded as the recorders have it; else by none.
    """

    id: str
    words: str
    shift: bool = True
    marks: Literal["all", "none", "as recorded"] = "as recorded"
    recipe: dict[str, Any] = field(default_factory=dict)
    golfers: Callable[[Catalogue, Golfers, np.random.Generator], Golfers] | None = None
    drawer: Drawer = draw_golfer_season
    forearm: bool = True

    def draw(self, catalogue: Catalogue, seed: int, golfers: int, *, jobs: int) -> Drawn:
        """Full swings of so many golfers, twenty each, whom nobody was trained on."""
        recipe = Recipe(golfers=golfers, sessions=2, swings=10, seed=seed, non_swing_share=0.0, **self.recipe)
        some = roster_golfers(catalogue, recipe)
        if self.golfers is not None:
            some = self.golfers(catalogue, some, np.random.default_rng([seed, 5]))
        drawn = draw(catalogue, recipe, jobs=jobs, golfers=some, drawer=self.drawer)
        if self.marks != "as recorded":
            drawn = with_marks(drawn, self.marks == "all")
        return drawn if self.forearm else without_forearm(drawn)


def draw_turned_season(catalogue: Catalogue, recipe: Recipe, golfers: Golfers, index: int) -> GolferSeason:
    """A golfer's season with both sensors turned about the forearm by `SENSOR_TURN_DEG`, one way or the other."""
    season = draw_golfer_season(catalogue, recipe, golfers, index)
    angles = season.batch.angles_deg.copy()
    turn = SENSOR_TURN_DEG if index % 2 else -SENSOR_TURN_DEG
    angles[:, [FLEXION, ULNAR]] = mount(angles, np.array([[0.0, turn, 0.0]] * 2))
    return replace(season, batch=replace(season.batch, angles_deg=angles))


def other_tempos(catalogue: Catalogue, golfers: Golfers, random: np.random.Generator) -> Golfers:
    """Tempos even between 1.6 and 5.5."""
    return replace(golfers, table=golfers.table.assign(tempo=random.uniform(*_TEMPOS, len(golfers))))


def near_edges(catalogue: Catalogue, golfers: Golfers, random: np.random.Generator) -> Golfers:
    """Every fault shown lies within one softness of its edge (4 degrees, 0.04 of the downswing)."""
    near = random.uniform(-1, 1, golfers.fault_size.shape) * catalogue.softness_by_fault
    return replace(golfers, fault_size=np.where(np.isfinite(golfers.fault_size), near, np.nan))


def new_combinations(catalogue: Catalogue, golfers: Golfers, random: np.random.Generator) -> Golfers:
    """Each golfer has two faults that the generator never combines, and nothing else."""
    patterns = load_patterns()
    sizes = np.full(golfers.fault_size.shape, np.nan)
    for row, pair in enumerate(random.integers(0, len(NEW_PAIRS), len(golfers))):
        for fault in NEW_PAIRS[pair]:
            sizes[row, catalogue.ids.index(fault)] = patterns[fault].size.draw(random, 1)[0]
    return replace(golfers, fault_size=sizes)


SUITES: Final = (
    Suite("marked", "In distribution, contact marked", shift=False, marks="all"),
    Suite("unmarked", "In distribution, contact not marked", shift=False, marks="none"),
    Suite(
        "other_sensors",
        "Other sensors: turned 15 degrees about the forearm, 60 Hz, three times the noise",
        recipe={"rate_hz": 60.0, "noise_scale": 3.0},
        drawer=draw_turned_season,
    ),
    Suite(
        "other_styles",
        "Other styles (1.8 times as varied) and tempos (even, 1.6 to 5.5)",
        recipe={"style_scale": 1.8},
        golfers=other_tempos,
    ),
    Suite("near_edges", "Every fault within 4 degrees (0.04) of its edge", golfers=near_edges),
    Suite(
        "new_combinations", "Two faults at once that are never combined in training", golfers=new_combinations
    ),
    Suite(
        "other_release",
        "Release by a two-link forward-dynamics model, not the generator's",
        drawer=draw_pendulum_season,
    ),
    Suite("no_pronation", "Forearm rotation not recorded", forearm=False),
)
"""In the order in which they are listed."""
