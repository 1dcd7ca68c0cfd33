"""A season's report written with a progress bar, for the commands that do so."""

from __future__ import annotations

import sys
from importlib.util import find_spec
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from pathlib import Path

    from faultml.coaching.rules import Coaching
    from faultml.report.source import ReportSource


def report_installed() -> bool:
    """Whether the page can be made; where not, says how to get what it needs."""
    if find_spec("jinja2"):
        return True
    click.echo("no report.html: it needs Jinja2. Install it with: pip install 'faultml[report]'", err=True)
    return False


def write_season_report(
    source: ReportSource, results: Path, coaching: Coaching, *, one_file: bool = False, quiet: bool = False
) -> Path:
    """Write the report into a results folder, in place of the one that is there; the path of its first page.

    Parameters
    ----------
    source, coaching
        As in `faultml.report.page.write_report`.
    results
        The results folder.
    one_file
        One page with everybody instead of a page a player. Pages of an earlier report are removed: they would go on
        showing what was known then.
    quiet
        No progress bar.
    """
    from faultml.report.page import write_one_page, write_report
    from faultml.results import REPORT_FILE
    from faultml.results.pages import remove_pages

    page = results / REPORT_FILE
    if one_file:
        write_one_page(source, page, coaching)
        remove_pages(results)
        return page
    shown = sys.stderr.isatty() and not quiet
    with click.progressbar(length=len(source.plans), label="Pages", file=sys.stderr, hidden=not shown) as bar:
        write_report(source, page, coaching, on_page=lambda n_done, _: bar.update(n_done - bar.pos))
    return page
