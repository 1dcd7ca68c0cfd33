"""The results folder: tables written batch by batch, replaced as a whole, read back by name."""

from __future__ import annotations

from faultml.results.columns import FAULTS, PROBLEMS, REPORT_FILE, RUN_FILE, SWINGS
from faultml.results.reader import Results, read_results
from faultml.results.writer import ResultsWriter

__all__ = [
    "FAULTS",
    "PROBLEMS",
    "REPORT_FILE",
    "RUN_FILE",
    "SWINGS",
    "Results",
    "ResultsWriter",
    "read_results",
]
