"""Column names, types and words of the season table, in one place.

The season table is described in docs/formats.md: one row a swing with samples in lists (Parquet), or one row a
sample (long CSV). Angles are degrees of the lead wrist in anatomical signs, times are seconds on the
recording's own clock.
"""

from __future__ import annotations

from typing import Final

import pyarrow as pa

from faultml.channels import CHANNELS, ID_COLUMNS

TIME_COLUMN: Final = "t_s"
SAMPLE_COLUMNS: Final = (TIME_COLUMN, *CHANNELS)
NEEDED_COLUMNS: Final = (*ID_COLUMNS, TIME_COLUMN, "flexion_deg", "ulnar_deg")

IMPACT_COLUMN: Final = "impact_s"
IMPACT_SD_COLUMN: Final = "impact_sd_s"
"""How surely the contact mark is placed, SD in seconds; not stated, it is that of any recorder's mark."""
IMPACT_FROM_COLUMN: Final = "impact_from"
"""What placed the contact mark; not stated, the recorder did."""
IMPACT_SOURCES: Final = ("recorder", "shock", "coach")
MOUNTING_COLUMN: Final = "mounting_sd_deg"
"""How surely the sensor's turn about the forearm is known, SD in degrees; not stated, it is that of any recorder."""
RATE_COLUMN: Final = "declared_rate_hz"
"""Samples a second that the recorder's file states, where it does; held against the times."""
NUMBER_COLUMNS: Final = (IMPACT_COLUMN, IMPACT_SD_COLUMN, MOUNTING_COLUMN, RATE_COLUMN)
SHOT_COLUMN: Final = "shot"
TEXT_COLUMNS: Final = (*ID_COLUMNS, "hand", "club", "context", IMPACT_FROM_COLUMN)
SWING_COLUMNS: Final = (*TEXT_COLUMNS, SHOT_COLUMN, *NUMBER_COLUMNS)
"""What a swing has once; everything else is per sample."""

KNOWN_COLUMNS: Final = (*SWING_COLUMNS, *SAMPLE_COLUMNS)

HANDS: Final = ("right", "left")
CONTEXTS: Final = ("play", "practice", "retest")
DEFAULT_CONTEXT: Final = "play"
SHOT_WORDS: Final = (
    "straight",
    "hook",
    "slice",
    "push",
    "pull",
    "draw",
    "fade",
    "fat",
    "thin",
    "top",
    "heel",
    "toe",
)

SEASON_SCHEMA: Final = pa.schema(
    [
        *((name, pa.string()) for name in ID_COLUMNS),
        (TIME_COLUMN, pa.list_(pa.float64())),
        *((name, pa.list_(pa.float32())) for name in CHANNELS),
        *((name, pa.float64()) for name in NUMBER_COLUMNS),
        ("hand", pa.string()),
        ("club", pa.string()),
        (SHOT_COLUMN, pa.list_(pa.string())),
        ("context", pa.string()),
        (IMPACT_FROM_COLUMN, pa.string()),
    ]
)
"""How a season is written as Parquet."""
