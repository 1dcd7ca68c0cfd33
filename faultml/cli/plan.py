"""``faultml plan``: which drill each player is on, and why."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

from faultml.cli import options


@click.command("plan", short_help="Say which drill each player is on, and why.")
@click.argument("results", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option("--player", metavar="ID", help="Only this player.")
@options.PLAN_DAY
@options.STORE
@options.ROSTER
@click.option(
    "--catalogue",
    "overrides",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="The file of moved edges that classify was given.",
)
@click.option("--json", "as_json", is_flag=True, help="The same as JSON, for other programs.")
def command(
    results: Path,
    player: str | None,
    on: datetime | None,
    store: Path | None,
    roster: Path | None,
    overrides: Path | None,
    as_json: bool,
) -> None:
    """Say of every player in RESULTS, the folder that classify left, what is to be done with the drill they are on:
    start, carry on, change, done, waits or returned, why, and since when.

    It follows from the drills and practice noted in the store and from the sessions recorded, up to the day of --on.
    What came later is not looked at.

    \b
    Example:
      faultml plan results/ --player p07
      faultml plan results/ --on 2031-05-01
    """
    from datetime import date

    import msgspec

    from faultml.cli.drills_given import coach_notes
    from faultml.cli.known import known_of_season
    from faultml.coaching.rules import load_coaching
    from faultml.errors import InputError
    from faultml.faults.catalogue import load_catalogue
    from faultml.plan.day import day_of_results
    from faultml.plan.lines import plan_lines
    from faultml.plan.of_results import plans_of_results
    from faultml.results import read_results
    from faultml.store import store_path
    from faultml.store.place import store_if_there

    coaching = load_coaching(load_catalogue(overrides))
    today = date.today()
    read, place = read_results(results), store_path(store)
    notes = coach_notes(place)
    why = "" if on else day_of_results(read, notes, today).words
    recorded = read.players["player"].astype(str)
    known = known_of_season(read.run, recorded, store_if_there(place), roster)
    rows = plans_of_results(read, notes, known, coaching, on.date() if on else None, today)
    if player is not None:
        names = [row.player for row in rows]
        if player not in names:
            some = ", ".join(names[:10]) or "nobody"
            raise InputError("unknown-player", where="plan", expected=f"one of: {some}", found=repr(player))
        rows = [row for row in rows if row.player == player]
    if as_json:
        click.echo(msgspec.json.encode(rows))
        return
    if why:
        click.echo(f"{why}; --on names another.")
    for row in rows:
        click.echo(
            "\n".join([f"{row.player}, {row.on}", *(f"  {line}" for line in plan_lines(row, coaching))])
        )
