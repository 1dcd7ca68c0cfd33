"""Classify a season: partitions of it are assessed on their own, in any order, and then put together."""

from __future__ import annotations

from faultml.season.batch import CURVES_PER_PLAYER, BatchTables, assess_batch
from faultml.season.classified import SeasonRun
from faultml.season.inputs import ModelSource
from faultml.season.partition import assess_partition
from faultml.season.progress import Progress
from faultml.season.run import classify_season

__all__ = [
    "CURVES_PER_PLAYER",
    "BatchTables",
    "ModelSource",
    "Progress",
    "SeasonRun",
    "assess_batch",
    "assess_partition",
    "classify_season",
]
