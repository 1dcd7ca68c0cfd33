"""Classify a season: partitions of it are assessed on their own, in any order, and then put together."""

from __future__ import annotations

from faultml.season.batch import CURVES_PER_PLAYER, BatchTables, assess_batch
from faultml.season.run import SeasonRun, classify_season

__all__ = ["CURVES_PER_PLAYER", "BatchTables", "SeasonRun", "assess_batch", "classify_season"]
