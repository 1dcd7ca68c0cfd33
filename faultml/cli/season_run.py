"""One season classified and its report written, for the commands that do so."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from faultml.errors import MissingExtraError

if TYPE_CHECKING:
    import pandas as pd

    from faultml.classifier.bundle import Bundle
    from faultml.faults.catalogue import Catalogue
    from faultml.results import ResultsWriter
    from faultml.season import BatchTables, SeasonRun


def run_season(
    paths: Sequence[Path],
    out: Path,
    *,
    bundle: Bundle,
    catalogue: Catalogue,
    jobs: int,
    table_format: str = "parquet",
    report: bool = True,
    quiet: bool = False,
) -> SeasonRun:
    """Classify with a progress bar on a terminal, write the report, and say in a few lines what came out."""
    from faultml.recordings.read import open_season
    from faultml.season import classify_season

    season = open_season(paths)
    closures: list[pd.DataFrame] = []
    shown = sys.stderr.isatty() and not quiet
    with click.progressbar(length=season.n_swings, label="Swings", file=sys.stderr, hidden=not shown) as bar:

        def on_batch(tables: BatchTables) -> None:
            closures[:] = [_add_closures(closures, tables.swings)]
            bar.update(len(tables.swings))

        def before_closing(run: SeasonRun, results: ResultsWriter) -> None:
            if report:
                _write_report(run, results, closures, catalogue)

        run = classify_season(
            season,
            out,
            bundle=bundle,
            catalogue=catalogue,
            jobs=jobs,
            table_format=table_format,
            on_batch=on_batch,
            before_closing=before_closing,
        )
    if not quiet:
        click.echo(_outcome(run, out, report))
    return run


def _add_closures(closures: list[pd.DataFrame], swings: pd.DataFrame) -> pd.DataFrame:
    from faultml.report.closures import merge_closures, sum_closures

    return merge_closures([*closures, sum_closures(swings)])


def _write_report(
    run: SeasonRun, results: ResultsWriter, closures: list[pd.DataFrame], catalogue: Catalogue
) -> None:
    from faultml.report import ReportSource, write_report
    from faultml.results import REPORT_FILE
    from faultml.season import load_coaching

    source = ReportSource(
        summary=run.summary,
        closures=closures[0] if closures else _add_closures([], run.curves.assign(assessed=False)),
        players=run.prescription.players,
        drills=run.prescription.drills,
        curves=run.curves,
        roster=run.roster,
        run=results.run,
    )
    try:
        write_report(source, results.file(REPORT_FILE), load_coaching(catalogue))
    except MissingExtraError as error:
        click.echo(f"no report: {error}", err=True)


def _outcome(run: SeasonRun, out: Path, report: bool) -> str:
    from faultml.results import REPORT_FILE

    players = run.prescription.players["player"].nunique()
    lines = [f"{run.n_assessed} of {run.n_swings} recordings assessed, {players} players."]
    if run.n_problems:
        lines.append(f"{run.n_problems} problems in the input: {out / 'problems.csv'}")
    if not run.n_assessed:
        lines.append("Nothing could be assessed.")
    lines.append(f"Results: {out / REPORT_FILE if report and (out / REPORT_FILE).exists() else out}")
    return "\n".join(lines)
