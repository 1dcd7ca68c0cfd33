"""``faultml report``: the season as offline pages."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import click

from faultml.cli import options


@click.command("report", short_help="Write the season as offline pages.")
@click.argument("results", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    help="One page with everything, written here; RESULTS stays as it is.",
)
@options.ONE_FILE
@options.ROSTER
@options.STORE
@click.option(
    "--catalogue",
    "overrides",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="The file of moved edges that classify was given.",
)
@click.option(
    "--player", "players", multiple=True, metavar="ID", help="Only this player, with --out. May be repeated."
)
def command(
    results: Path,
    out: Path | None,
    one_file: bool,
    roster: Path | None,
    store: Path | None,
    overrides: Path | None,
    players: tuple[str, ...],
) -> None:
    """Write the season in RESULTS, the folder that classify left, as offline pages.

    report.html is the season with a link to every player, players/ holds a page a player. The care check is asked
    again, with what store and roster say now, and so is the plan.

    \b
    Example:
      faultml report results/
      faultml report results/ --player p07 --out p07.html
    """
    from faultml.cli.drills_given import coach_notes
    from faultml.cli.known import known_of_season
    from faultml.cli.season_report import write_season_report
    from faultml.coaching.book import load_book
    from faultml.coaching.rules import Coaching, load_rules
    from faultml.faults.catalogue import load_catalogue
    from faultml.report.page import write_one_page
    from faultml.report.source import read_source
    from faultml.results import read_results
    from faultml.store.place import store_if_there

    if players and out is None:
        raise click.UsageError(
            "--player: a page of some players alone needs --out; the season's stays whole."
        )
    coaching = Coaching(load_catalogue(overrides), load_book(), load_rules())
    tables = read_results(results)
    today, recorded = date.today(), tables.players["player"].astype(str)
    place = store_if_there(store)
    known = known_of_season(tables.run, recorded, place, roster)
    source = read_source(tables, known, coaching, today, coach_notes(place) if place else None)
    if out is not None:
        write_one_page(source, out, coaching, only=players)
        click.echo(out)
    else:
        click.echo(write_season_report(source, results, coaching, one_file=one_file))
