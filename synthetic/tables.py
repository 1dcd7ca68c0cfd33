"""The tables of a synthetic season: what the recorder and the coach know of each swing, the truth, the roster."""

from __future__ import annotations

from datetime import timedelta
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from faultml.channels import CHANNELS, ID_COLUMNS, LANDMARKS
from faultml.faults.catalogue import Catalogue
from faultml.synthetic.golfers import Golfers
from faultml.synthetic.motion import Motion
from faultml.synthetic.patterns import load_patterns
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.sensors import Recorded

Array = NDArray[np.float64]

_CLUBS: Final = ("driver", "7 iron", "wedge")


def season_table(
    catalogue: Catalogue,
    recipe: Recipe,
    golfers: Golfers,
    index: int,
    session: NDArray[np.int64],
    lesson: int,
    motion: Motion,
    kind: NDArray[np.object_],
    recorded: Recorded,
    random: np.random.Generator,
) -> pd.DataFrame:
    """One row a recording: names, and what recorder and coach know of it, as `SwingBatch.table` wants it."""
    count = len(session)
    player = golfers.table.iloc[index]
    days = [(recipe.first_day + timedelta(days=7 * int(number))).isoformat() for number in session]
    number = np.arange(count) % recipe.swings
    context = np.where((session >= lesson) & (number < recipe.swings // 3), "practice", "play")
    context = np.where(session == lesson + 2, "retest", context)
    return pd.DataFrame(
        {
            "player": player["player"],
            "session": days,
            "swing": [f"{value + 1:03d}" for value in number],
            "hand": player["hand"],
            "club": random.choice(_CLUBS, recipe.sessions, p=[0.3, 0.5, 0.2])[session],
            "context": context,
            "shot": shots_of(catalogue, motion, kind, random),
            "impact_s": recorded.impact_s,
            "reason": "",
            "findings": [()] * count,
        }
    )


def shots_of(
    catalogue: Catalogue, motion: Motion, kind: NDArray[np.object_], random: np.random.Generator
) -> list[tuple[str, ...]]:
    """What the ball did: a miss that goes with the faults shown, now and then another, else straight."""
    patterns = load_patterns()
    edges = np.array([fault.edge for fault in catalogue.faults])
    past = np.clip(catalogue.signs * (motion.measures - edges) / (2.5 * catalogue.softness_by_fault), 0, 2)
    misses = ("hook", "slice", "push", "pull", "fat", "thin", "heel", "toe")
    chance = np.full((len(past), len(misses)), 0.015)
    for column, fault in enumerate(catalogue.ids):
        for miss, weight in patterns[fault].shots.items():
            chance[:, misses.index(miss)] += np.nan_to_num(past[:, column]) * weight
    # A late save turns hooks into pushes.
    saved = motion.saved_late
    chance[saved, 2] += 0.5 * chance[saved, 0]
    chance[saved, 0] *= 0.5
    chance = np.minimum(chance, 0.85)
    drawn = random.random(chance.shape) < chance
    first = np.where(drawn.any(axis=1), np.where(drawn, chance, -1).argmax(axis=1), -1)
    return [
        () if name != "full" else ((misses[which],) if which >= 0 else ("straight",))
        for name, which in zip(kind, first, strict=True)
    ]


def truth_table(
    catalogue: Catalogue,
    table: pd.DataFrame,
    kind: NDArray[np.object_],
    motion: Motion,
    size: Array,
    recorded: Recorded,
) -> pd.DataFrame:
    """One row a recording: what only the generator knows; see `GolferSeason.truth`."""
    full = (kind == "full")[:, None]
    landmarks = np.where(full, motion.landmarks_s + recorded.start_s[:, None], np.nan)
    guarded = [fault.id for fault in catalogue.faults if fault.guard]
    columns: dict[str, object] = {name: table[name] for name in ID_COLUMNS}
    columns["kind"] = kind
    columns |= {f"{name}_s": landmarks[:, k] for k, name in enumerate(LANDMARKS)}
    columns |= {
        f"measure_{fault}": np.where(full[:, 0], motion.measures[:, k], np.nan)
        for k, fault in enumerate(catalogue.ids)
    }
    columns |= {
        f"guard_{fault}": np.where(full[:, 0], motion.guards[:, k], np.nan) for k, fault in enumerate(guarded)
    }
    columns |= {
        f"size_{fault}": np.where(full[:, 0], size[:, k], np.nan) for k, fault in enumerate(catalogue.ids)
    }
    columns["saved_late"] = motion.saved_late & full[:, 0]
    columns |= {f"address_{name}": motion.address_deg[:, k] for k, name in enumerate(CHANNELS)}
    return pd.DataFrame(columns)


def draw_roster(golfers: Golfers, recipe: Recipe) -> pd.DataFrame:
    """A roster beside the season: mostly healthy adults, some with a history, some not asked yet."""
    random = np.random.default_rng([recipe.seed, 2])
    count = len(golfers)
    pain = random.choice(["none", "", "wrist"], count, p=[0.75, 0.17, 0.08])
    roster = pd.DataFrame(
        {
            "player": golfers.table["player"],
            "hand": golfers.table["hand"],
            "level": random.choice(["beginner", "club", "county"], count, p=[0.3, 0.5, 0.2]),
            "under_16": random.choice(["no", "yes", ""], count, p=[0.8, 0.1, 0.1]),
            "usual_miss": random.choice(["", "hook", "slice", "push", "pull", "fat", "thin"], count),
            "pain": pain,
            "ulnar_history": random.choice(["no", "yes", ""], count, p=[0.8, 0.1, 0.1]),
            "thumb_history": random.choice(["no", "yes", ""], count, p=[0.85, 0.05, 0.1]),
            "lessons": "",
        }
    )
    # Drawn last, so that the columns above stay as they were for a seed.
    asked = {
        name: random.choice(["no", "yes", ""], count, p=[0.9, 0.03, 0.07])
        for name in ("elbow_history", "nerve_history", "hamate_history")
    }
    return roster.assign(**asked)
