"""Synthetic golfers: range of motion, grip, tempo, style, repeatability, persistent faults.

Ranges of motion follow Boone & Azen 1979 (J Bone Joint Surg 61A:756; the spreads are from memory), tempo the GolfDB
labels (median 3.43, SD 0.79 between and 0.41 within golfers). Everything else is common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from faultml.faults.catalogue import Catalogue
from faultml.synthetic.patterns import Pattern, load_patterns

Array = NDArray[np.float64]

RANGE_OF_MOTION_DEG: Final = {
    "flexion": (76.0, 6.6),
    "extension": (75.0, 6.6),
    "radial": (22.0, 4.0),
    "ulnar": (36.0, 3.8),
    "pronation": (76.0, 5.8),
    "supination": (82.0, 4.0),
}
"""Mean and SD of active motion, 109 men: Boone & Azen 1979."""

TEMPO_MEAN: Final = 3.43
TEMPO_SD_BETWEEN: Final = 0.79
TEMPO_SD_WITHIN: Final = 0.41

GRIPS: Final = ("weak", "neutral", "strong")
_GRIP_EXTENSION_DEG: Final = {"weak": 13.0, "neutral": 20.0, "strong": 27.0}
_GRIP_PRONATION_DEG: Final = {"weak": -8.0, "neutral": 0.0, "strong": 10.0}

_EXCLUSIVE: Final = (
    ("flexed_top", "cupped_top", "recupping"),
    ("underset", "overset", "early_set"),
    ("flip", "overflexed_impact"),
    ("flexing_downswing", "overflexed_impact", "recupping"),
    ("raised_wrist_impact", "held_hinge"),
)
"""Of each of these groups a golfer is given one at most: they pull the same angle at the same time."""


@dataclass(frozen=True)
class Golfers:
    """Golfers of a roster.

    Attributes
    ----------
    table
        One row a golfer: ``player, hand, grip, tempo, downswing_s, repeatability, skill`` and the address angles.
    fault_size
        ``(n_golfers, n_faults)`` how far past the edge each persistent fault goes when it is worst; NaN: has it not.
    style_deg
        ``(n_golfers, 3, 3)`` personal offsets: channel x (takeaway, top, impact).
    range_deg
        ``(n_golfers, 3, 2)`` lower and upper end of active motion, channel by channel.
    """

    table: pd.DataFrame
    fault_size: Array
    style_deg: Array
    range_deg: Array

    def __len__(self) -> int:
        return len(self.table)


def draw_golfers(
    catalogue: Catalogue,
    count: int,
    random: np.random.Generator,
    *,
    clean_share: float = 0.12,
    style_scale: float = 1.0,
    slow_start_share: float = 0.015,
    prefix: str = "p",
) -> Golfers:
    """Golfers with zero (`clean_share`) or one to three persistent faults, and what those bring along.

    `slow_start_share` of them take 0.38 to 0.65 s for the downswing, and still release fast.
    """
    fault_size = np.array([_persistent_faults(catalogue, random, clean_share) for _ in range(count)]).reshape(
        count, -1
    )
    # Whoever hinges or unhinges past the usual range has a joint that lets them.
    hypermobile = np.nan_to_num(fault_size[:, catalogue.ids.index("overset")], nan=0.0) > 0
    raises = np.nan_to_num(fault_size[:, catalogue.ids.index("raised_wrist_impact")], nan=0.0) > 0

    grip = random.choice(GRIPS, count, p=[0.2, 0.5, 0.3])
    extension = np.array([_GRIP_EXTENSION_DEG[name] for name in grip]) + random.normal(
        0, 4.0 * style_scale, count
    )
    ulnar = random.normal(14.0, 4.0, count) + 6.0 * hypermobile - 5.0 * raises
    pronation = np.array([_GRIP_PRONATION_DEG[name] for name in grip]) + random.normal(0, 8.0, count)

    span = {name: random.normal(mean, sd, count) for name, (mean, sd) in RANGE_OF_MOTION_DEG.items()}
    span["radial"] += 10.0 * hypermobile
    span["ulnar"] += 6.0 * raises
    range_deg = np.stack(
        [
            np.stack([-span["extension"], span["flexion"]], axis=1),
            np.stack([-span["radial"], span["ulnar"]], axis=1),
            np.stack([-span["supination"], span["pronation"]], axis=1),
        ],
        axis=1,
    )
    skill = random.beta(2.0, 2.0, count)
    quick = np.clip(0.27 * np.exp(random.normal(0, 0.13 * style_scale, count)), 0.18, 0.38)
    # A few start down slowly and still release fast; one of the open motion captures moves like that.
    slow = random.random(count) < slow_start_share
    table = pd.DataFrame(
        {
            "player": [f"{prefix}{k + 1:03d}" for k in range(count)],
            "hand": random.choice(["right", "left"], count, p=[0.88, 0.12]),
            "grip": grip,
            "tempo": np.clip(random.normal(TEMPO_MEAN, TEMPO_SD_BETWEEN * style_scale, count), 1.6, 5.8),
            "downswing_s": np.where(slow, random.uniform(0.38, 0.65, count), quick),
            "repeatability": np.exp(random.normal(0, 0.25, count)) * (1.3 - 0.6 * skill),
            "skill": skill,
            "address_flexion_deg": -extension,
            "address_ulnar_deg": ulnar,
            "address_pronation_deg": pronation,
        }
    )
    return Golfers(table, fault_size, _styles(random, count, style_scale), range_deg)


def _styles(random: np.random.Generator, count: int, scale: float) -> Array:
    spread_deg = np.array([[3.0, 7.5, 7.0], [3.5, 4.5, 4.0], [6.0, 9.0, 7.0]]) * scale
    style = random.normal(0, 1, (count, 3, 3)) * spread_deg
    style[:, :, 0] += 0.3 * style[:, :, 1]
    return style


def _persistent_faults(catalogue: Catalogue, random: np.random.Generator, clean_share: float) -> Array:
    sizes = np.full(len(catalogue.ids), np.nan)
    if random.random() < clean_share:
        return sizes
    patterns = load_patterns()
    wanted = random.integers(1, 4)
    chosen: list[str] = []
    for fault in random.permutation(catalogue.ids):
        if len(chosen) < wanted and _compatible(fault, chosen):
            chosen.append(str(fault))
    for fault in list(chosen):
        for brought in patterns[fault].brings:
            if (
                random.random() < brought.chance
                and brought.fault not in chosen
                and _compatible(brought.fault, chosen)
            ):
                chosen.append(brought.fault)
    for fault in chosen:
        sizes[catalogue.ids.index(fault)] = _size(patterns[fault], random)
    return sizes


def _size(pattern: Pattern, random: np.random.Generator) -> float:
    return float(pattern.size.draw(random, 1)[0])


def _compatible(fault: str, chosen: list[str]) -> bool:
    return not any(fault in group and set(group) & set(chosen) for group in _EXCLUSIVE)
