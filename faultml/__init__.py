"""Lead-wrist swing faults from a season of recordings, with drills ranked by expected benefit."""

from __future__ import annotations

__version__ = "0.1.0"
