"""The page of a season that has just been classified."""

from __future__ import annotations

from faultml.coaching.retest import read_retests
from faultml.coaching.rules import load_coaching
from faultml.faults.catalogue import Catalogue
from faultml.report.page import write_report
from faultml.report.source import ReportSource
from faultml.results import REPORT_FILE, ResultsWriter
from faultml.season import SeasonRun


class SeasonPage:
    """Hand `write` to `faultml.classify_season` as ``before_closing``."""

    def __init__(self, catalogue: Catalogue) -> None:
        self._catalogue = catalogue

    def write(self, run: SeasonRun, results: ResultsWriter) -> None:
        """Write the page beside the tables."""
        source = ReportSource(
            summary=run.summary,
            closures=run.closures,
            plans=run.prescription.plans,
            retests=read_retests(run.prescription.retests),
            curves=run.curves,
            roster=run.roster,
            outcomes=run.outcomes,
            run=results.run,
        )
        write_report(source, results.file(REPORT_FILE), load_coaching(self._catalogue))
