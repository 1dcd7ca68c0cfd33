"""The season as one offline page for a person, and the catalogue in print."""

from faultml.report.page import render_report, write_report
from faultml.report.source import ReportSource, read_source

__all__ = ["ReportSource", "read_source", "render_report", "write_report"]
