"""``faultml outcomes``: did it work?"""

from __future__ import annotations

from datetime import date
from pathlib import Path

import click

from faultml.cli import options


@click.command(short_help="Did it work? What each drill changed.")
@click.argument("results", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option("--player", metavar="ID", help="Only this player, in full sentences.")
@options.STORE
@click.option(
    "--catalogue",
    "overrides",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="The file of moved edges that classify was given.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Also write the table, as .parquet or .csv; classify --outcomes reads it next season.",
)
@click.option("--json", "as_json", is_flag=True, help="The same as JSON, for other programs.")
def command(
    results: Path,
    player: str | None,
    store: Path | None,
    overrides: Path | None,
    out: Path | None,
    as_json: bool,
) -> None:
    """Say of every drill that was given (see assign) whether it changed anything, from RESULTS, the folder that
    classify left.

    Before: sessions up to the day the drill was given. After: later sessions without feedback; days that hold practice
    with feedback do not count. A change is claimed only where it holds there and is as large as this many swings and
    sessions can show.

    \b
    Example:
      faultml outcomes results/ --store coach.sqlite
      faultml outcomes results/ --player p07
    """
    import msgspec

    from faultml.cli.drills_given import given_drills
    from faultml.coaching.as_found import read_as_found
    from faultml.coaching.rules import load_coaching
    from faultml.coaching.summary import read_summary
    from faultml.errors import InputError
    from faultml.faults.catalogue import load_catalogue
    from faultml.outcomes.change import changes
    from faultml.outcomes.effects import drill_effects
    from faultml.outcomes.table import write_changes
    from faultml.outcomes.words import as_lines, as_records, player_lines
    from faultml.results import read_results

    coaching = load_coaching(load_catalogue(overrides))
    read = read_results(results)
    sums = read_summary(read).faults
    table = changes(sums, given_drills(store), coaching.catalogue, found=read_as_found(read))
    effects = drill_effects(table, coaching.serving, coaching.catalogue)
    if player is not None and player not in set(table["player"]):
        known = ", ".join(sorted(set(table["player"]))[:10]) or "nobody: see faultml assign"
        raise InputError("unknown-player", where="outcomes", expected=f"one of: {known}", found=repr(player))
    if out is not None:
        write_changes(table, out)
    shown = table if player is None else table[table["player"] == player]
    care = _stopped(results, set(shown["player"]), store)
    line = f"Care comes first, whatever has worked: no drill now for {', '.join(care)}." if care else ""
    if as_json:
        content = {"outcomes": as_records(shown), "drills": list(effects.values()), "care": line}
        click.echo(msgspec.json.encode(content))
        return
    names = {drill.id: drill.name for drill in coaching.book.drills}
    report_lines = as_lines if player is None else player_lines
    click.echo("\n".join(report_lines(shown, effects, coaching.words, names, coaching.catalogue)))
    if line:
        click.echo(line)
    strangers = sorted(set(shown["player"]) - set(sums["player"]))
    if strangers:
        click.echo(f"not in these results: {', '.join(strangers)}", err=True)


def _stopped(results: Path, players: set[str], store: Path | None) -> list[str]:
    """Those of the players who get no drill now for reasons of care."""
    from faultml.care.check import care_stop
    from faultml.cli.known import known_of_season
    from faultml.results import read_results
    from faultml.store.place import store_if_there

    read, today = read_results(results), date.today()
    recorded = read.players["player"].astype(str)
    known = known_of_season(read.run, recorded, store_if_there(store), None)
    return sorted(player for player in players & set(recorded) if care_stop(known.body(player), today))
