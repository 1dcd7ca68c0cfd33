"""One season classified and its report written, for the commands that do so."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from faultml.cli.known import say_without_store
from faultml.cli.season_report import report_installed, write_season_report

if TYPE_CHECKING:
    from datetime import date

    import pandas as pd

    from faultml.faults.catalogue import Catalogue
    from faultml.plan.evidence import StoreNotes
    from faultml.recordings.problems import Problem
    from faultml.results.tables import TableFormat
    from faultml.season import ModelSource, Progress, SeasonRun

MAX_NAMED: Final = 3
MAX_KINDS: Final = 6
_STRANGE: Final = {"not-a-table", "missing-column"}


def run_season(
    paths: Sequence[Path],
    out: Path,
    *,
    source: ModelSource,
    catalogue: Catalogue,
    on: str = "",
    table_format: TableFormat = "parquet",
    false_share: float = 0.10,
    assigned: pd.DataFrame | None = None,
    outcomes: pd.DataFrame | None = None,
    store: Path | None = None,
    notes: StoreNotes | None = None,
    plan_day: date | None = None,
    report: bool = True,
    one_file: bool = False,
    quiet: bool = False,
) -> SeasonRun:
    """Classify with a progress bar on a terminal and say in a few lines what came out; then write the report."""
    from faultml.season import classify_season
    from faultml.season.corrections import open_corrected

    season = open_corrected([path.absolute() for path in paths] if "://" in on else paths, store)
    shown = sys.stderr.isatty() and not quiet
    with click.progressbar(length=season.n_swings, label="Swings", file=sys.stderr, hidden=not shown) as bar:

        def advance(done: Progress) -> None:
            bar.update(done.n_done - bar.pos)

        run = classify_season(
            season,
            out,
            source=source,
            on=on,
            table_format=table_format,
            false_share=false_share,
            assigned=assigned,
            outcomes=outcomes,
            store=store,
            notes=notes,
            plan_day=plan_day,
            progress=advance,
        )
    if not quiet:
        click.echo(_outcome(run, out))
    say_without_store(run.known)
    if report and report_installed():
        from faultml.coaching.rules import load_coaching
        from faultml.report.source import read_source

        coaching = load_coaching(catalogue)
        source_of_page = read_source(run.results, run.known, coaching, run.day)
        page = write_season_report(source_of_page, out, coaching, one_file=one_file, quiet=quiet)
        if not quiet:
            click.echo(f"Report: {page}")
    return run


def _outcome(run: SeasonRun, out: Path) -> str:
    from faultml.quality.impacts import impact_sentences, read_impacts

    players = run.n_players
    lines = [
        f"{run.n_assessed} of {run.n_swings} recordings assessed, {players} {'player' if players == 1 else 'players'}."
    ]
    lines += left_out_lines(*run.left_out)
    if run.unread:
        lines.append(_first([_problem_words(problem) for problem in run.unread], "files not read", "; "))
        if any(problem.code in _STRANGE for problem in run.unread):
            lines.append("  Another recorder's files need a layout first: faultml layout propose FILES")
    if run.unrecorded:
        lines.append(_first(run.unrecorded, "players of the roster without recordings", ", "))
    if run.roster_unreadable:
        lines.append("The roster could not be read: mend it first. Until then nobody gets a drill.")
    elif run.n_withheld:
        lines.append(
            "Rows of the roster could not be read: until they are mended, no drill for "
            f"{run.n_withheld} of the players."
        )
    if run.n_held:
        lines.append(
            f"Names of the roster fit nobody recorded: until somebody says whose they are, no drill for {run.n_held} of"
            " the players. See: faultml players care."
        )
    if run.layout_suspected:
        lines.append(
            "More than half of the swings are no full swing: the layout is probably wrong, so nobody gets a new drill."
            " See: faultml check --explain layout-suspected"
        )
    lines += impact_sentences(read_impacts(run.run))
    if run.n_problems:
        lines.append(
            f"{run.n_problems} {'problem' if run.n_problems == 1 else 'problems'} in the input: {out / 'problems.csv'}"
        )
        kinds = [f"{n} x {code} ({Path(file).name})" for (code, file), n in run.problem_counts.most_common()]
        lines.append(_first(kinds, "kinds", ", ", most=MAX_KINDS))
    if not run.n_assessed:
        lines.append("Nothing could be assessed.")
    lines.append(f"Results: {out}")
    return "\n".join(lines)


def left_out_lines(players: int, swings: int) -> list[str]:
    """That players were left out who have asked to be forgotten; nothing where none was."""
    if not players:
        return []
    who = "1 player was" if players == 1 else f"{players} players were"
    recordings = "1 recording" if swings == 1 else f"{swings} recordings"
    return [f"  {who} forgotten, and left out with {recordings}. Agreed anew: faultml players readmit."]


def _problem_words(problem: Problem) -> str:
    """Which file, and why it was not read."""
    return f"{Path(problem.file).name} ({problem.code}: found {problem.found}; expected {problem.expected})"


def _first(items: Sequence[str], what: str, between: str, most: int = MAX_NAMED) -> str:
    """How many there are, and the first few of them."""
    more = f"{between}and {len(items) - most} more" if len(items) > most else ""
    counted = f"{len(items)} {what}" if len(items) > 1 else what
    return f"  {counted}: {between.join(items[:most])}{more}"
