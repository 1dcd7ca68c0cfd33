"""The page of a season that is just being classified: sums while it streams by, the page at its end."""

from __future__ import annotations

from faultml.coaching.rules import load_coaching
from faultml.coaching.summary import MOST_PARTS
from faultml.faults.catalogue import Catalogue
from faultml.report.closures import merge_closures, no_closures, sum_closures
from faultml.report.page import write_report
from faultml.report.source import ReportSource
from faultml.results import REPORT_FILE, ResultsWriter
from faultml.season import BatchTables, SeasonRun


class SeasonPage:
    """Hand `add` and `write` to `faultml.classify_season` as ``on_batch`` and ``before_closing``."""

    def __init__(self, catalogue: Catalogue) -> None:
        self._catalogue = catalogue
        self._closures = [no_closures()]

    def add(self, tables: BatchTables) -> None:
        """Take in one batch."""
        self._closures.append(sum_closures(tables.swings))
        if len(self._closures) == MOST_PARTS:
            self._closures = [merge_closures(self._closures)]

    def write(self, run: SeasonRun, results: ResultsWriter) -> None:
        """Write the page beside the tables."""
        source = ReportSource(
            summary=run.summary,
            closures=merge_closures(self._closures),
            players=run.prescription.players,
            drills=run.prescription.drills,
            retests=run.prescription.retests,
            curves=run.curves,
            roster=run.roster,
            outcomes=run.outcomes,
            run=results.run,
        )
        write_report(source, results.file(REPORT_FILE), load_coaching(self._catalogue))
