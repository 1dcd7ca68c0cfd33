"""``faultml card``: one player's practice card, to be printed."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path

import click

from faultml.cli import options


@click.command("card", short_help="Write a player's practice card, one page to print.")
@click.argument("results", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option("--player", required=True, metavar="ID", help="The player whose card it is.")
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The page to write.  [default: card-ID.html in the working folder]",
)
@options.ROSTER
@options.STORE
@click.option(
    "--on",
    "day",
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="DATE",
    help="The day it is for, not one gone by.  [default: today]",
)
def command(
    results: Path,
    player: str,
    out: Path | None,
    roster: Path | None,
    store: Path | None,
    day: datetime | None,
) -> None:
    """Write the practice card of one player in RESULTS, the folder that classify left: one page for A4 or letter.

    The care check is asked again, with what store and roster say now, and so is the plan: a drill that is to be
    changed, or whose fault is done, is not printed as work for today.

    \b
    Example:
      faultml card results/ --player p07
    """
    from faultml.cli.drills_given import coach_notes
    from faultml.cli.known import known_of_season
    from faultml.coaching.rules import load_coaching
    from faultml.faults.catalogue import load_catalogue
    from faultml.report.card import card_file, write_card
    from faultml.report.source import read_source
    from faultml.results import read_results
    from faultml.store.place import store_if_there

    today = date.today()
    on = day.date() if day else today
    if on < today:
        # An answer of then would let a drill through that has to be asked about again now.
        raise click.UsageError("--on is a day gone by: a card is for practice from today on.")
    coaching, tables = load_coaching(load_catalogue()), read_results(results)
    recorded = tables.players["player"].astype(str)
    place = store_if_there(store)
    known = known_of_season(tables.run, recorded, place, roster)
    source = read_source(tables, known, coaching, on, coach_notes(place) if place else None)
    page = out or Path(card_file(player))
    write_card(source, player, page, coaching, on)
    click.echo(page)
