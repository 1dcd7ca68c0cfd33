"""``faultml classify``: find faults and drills in a season of recordings."""

from __future__ import annotations

import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from faultml.cli import options

if TYPE_CHECKING:
    from faultml.results.tables import TableFormat


@click.command(short_help="Find faults and drills in a season of recordings.")
@click.argument("season", nargs=-1, required=True, type=click.Path(path_type=Path, exists=True))
@click.option("--out", required=True, type=click.Path(path_type=Path), help="Folder for the results.")
@options.ON
@click.option(
    "--format",
    "table_format",
    type=click.Choice(["parquet", "csv"]),
    default="parquet",
    show_default=True,
    help="Of the result tables.",
)
@options.MODEL
@options.CHAMPION
@options.CATALOGUE
@click.option(
    "--coach",
    metavar="FOLDER|NAME",
    help="A coach adaptation that retrain has left: edges and probabilities as this coach sees them. With --registry, "
    "the coach's name.",
)
@click.option(
    "--store",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The coach's store: what the drills given there have changed weighs the drills, and every player has a plan."
    " What it says of pain counts also where it lies at its usual place.",
)
@click.option(
    "--day",
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="DATE",
    help="The day of the plans.  [default: today; of a season that is over, or ahead, its last day]",
)
@click.option(
    "--outcomes",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="A table of an earlier season, written by outcomes --out; it weighs the drills too.",
)
@click.option(
    "--false-share",
    type=click.Choice(["0.05", "0.10", "0.15", "0.20", "0.30"]),
    default="0.10",
    show_default=True,
    help="Of what is flagged, how much may be wrong.",
)
@click.option(
    "--promise",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="What labels promise --out has left: how flags fared before the coach, on the coach's own golfers.",
)
@click.option("--no-report", is_flag=True, help="Leave out the report.")
@options.ONE_FILE
@click.option("--quiet", is_flag=True, help="Say nothing but errors.")
def command(
    season: tuple[Path, ...],
    out: Path,
    place: str,
    table_format: TableFormat,
    model: Path | None,
    registry: Path | None,
    catalogue: Path | None,
    coach: str | None,
    store: Path | None,
    day: datetime | None,
    outcomes: Path | None,
    false_share: str,
    promise: Path | None,
    no_report: bool,
    one_file: bool,
    quiet: bool,
) -> None:
    """Classify every swing of SEASON and leave tables and a report in a folder.

    SEASON is a Parquet file or folder with one row a swing, or long CSV files with one row a sample; roster.csv beside
    it is read too. RESULTS is replaced as a whole once the new results are complete.

    \b
    Exit codes: 0 done, 1 nothing could be assessed, 2 wrong use, 3 done, with rows in problems.csv.

    \b
    Example:
      faultml classify season/ --out results/ --on local:2
      faultml classify season/ --out results/ --registry faultml-registry --coach ann
    """
    from faultml.classifier.coach_adaptation import load_adaptation
    from faultml.cli.drills_given import coach_notes, given_drills
    from faultml.cli.season_run import run_season
    from faultml.faults.catalogue import load_catalogue
    from faultml.kernels import is_cold
    from faultml.outcomes.table import read_changes
    from faultml.season.inputs import ModelSource
    from faultml.store.place import store_if_there

    if store and not store.exists():
        raise click.UsageError(
            f"--store: there is no file {store}. It is made by the first note: faultml assign, practised, players or "
            "labels import, with the same --store. Without notes leave --store out."
        )
    if day and not store:
        raise click.UsageError("--day: the day of the plans, which need --store")
    if coach and catalogue:
        raise click.UsageError("--coach has edges of its own: give it or --catalogue, not both.")
    if coach and not registry and not Path(coach).is_dir():
        raise click.UsageError(
            f"--coach: there is no folder {coach}; with --registry it is the coach's name."
        )
    if is_cold():
        click.echo("Compiling for this machine, once: half a minute.", err=True)
    chosen = options.chosen_model(model, registry, coach or "")
    edges = load_catalogue(catalogue)
    kept: tuple[Path | None, str] = (None, "")
    if coach:
        kept = (
            (chosen.path, chosen.registered.adaptation_sha256)
            if chosen.path and chosen.registered
            else (Path(coach), "")
        )
        adaptation, edges = load_adaptation(kept[0] or Path(coach), kept[1])
        if store and _to_retrain(store, adaptation.sha256):
            since = "has learned from somebody who was forgotten since: faultml retrain makes it anew."
            click.echo(f"The adaptation of {adaptation.coach} {since}", err=True)
    source = ModelSource(
        model=_absolute(chosen.path),
        registered=chosen.registered,
        catalogue=str(catalogue) if catalogue else None,
        coach=_absolute(kept[0]),
        coach_sha256=kept[1],
        promise=_absolute(promise),
    )
    run = run_season(
        season,
        out,
        source=source,
        catalogue=edges,
        on=place,
        table_format=table_format,
        false_share=float(false_share),
        assigned=given_drills(store) if store else None,
        outcomes=read_changes(outcomes) if outcomes else None,
        store=store_if_there(store),
        notes=coach_notes(store) if store else None,
        plan_day=day.date() if day else None,
        report=not no_report,
        one_file=one_file,
        quiet=quiet,
    )
    sys.exit(run.exit_code)


def _absolute(path: Path | None) -> str | None:
    return str(path.absolute()) if path else None


def _to_retrain(store: Path, sha256: str) -> bool:
    """Whether an adaptation has learned from somebody who was forgotten since."""
    from faultml.store import open_store
    from faultml.store.people import models_to_retrain

    with open_store(store, create=False) as opened:
        return sha256 in models_to_retrain(opened)
