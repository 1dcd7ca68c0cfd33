"""Words that every drawing shares: the channels in trade words, and degrees as a coach reads them."""

from __future__ import annotations

import math
from typing import Final

MINUS: Final = "−"

CHANNEL_NAMES: Final = {
    "flexion_deg": "wrist bend",
    "ulnar_deg": "wrist hinge",
    "pronation_deg": "forearm roll",
}
CHANNEL_ENDS: Final = {
    "flexion_deg": ("cupped", "bowed"),
    "ulnar_deg": ("hinged", "unhinged"),
    "pronation_deg": ("rolled closed", "rolled open"),
}
"""Trade words for the negative and the positive end of each channel."""


def degrees(value: float | None, decimals: int = 0) -> str:
    """``+12°``, ``−5°``, ``0°``; a dash where there is no number."""
    if value is None or not math.isfinite(value):
        return "–"
    rounded = round(value, decimals)
    if rounded == 0:
        return "0°"
    return f"{'+' if rounded > 0 else MINUS}{abs(rounded):.{decimals}f}°"
