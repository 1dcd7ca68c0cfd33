"""The measured channels, their order in arrays, and the identifying columns of the season table."""

from __future__ import annotations

from typing import Final

CHANNELS: Final = ("flexion_deg", "ulnar_deg", "pronation_deg")
"""Order of the channel axis of every ``(n_swings, n_channels, n_samples)`` array."""

FLEXION, ULNAR, PRONATION = range(3)

ID_COLUMNS: Final = ("player", "session", "swing")
LANDMARKS: Final = ("takeaway", "top", "impact", "finish")
"""Order of the landmark axis of every ``(n_swings, 4)`` array of times in seconds."""
