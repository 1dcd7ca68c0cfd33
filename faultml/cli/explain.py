"""``faultml explain``: every number behind one player's drill."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import click

from faultml.cli import options


@click.command("explain", short_help="Show every number behind one player's drill.")
@click.argument("results", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option("--player", required=True, metavar="ID", help="The player to explain.")
@options.ROSTER
@options.STORE
@click.option("--json", "as_json", is_flag=True, help="The same as JSON, for other programs.")
def command(results: Path, player: str, roster: Path | None, store: Path | None, as_json: bool) -> None:
    """Show every number behind the drills of one player in RESULTS, the folder that classify left.

    The care check is asked again, with what store and roster say now.

    \b
    Example:
      faultml explain --player p07 results/
    """
    from faultml.cli.drills_given import coach_notes
    from faultml.cli.known import known_of_season
    from faultml.coaching.book import load_book
    from faultml.coaching.care_now import explanation_now
    from faultml.coaching.explain import EXPLANATIONS_FILE, as_lines, decode, encode, explain_player
    from faultml.coaching.lesson import GIVEN_SINCE
    from faultml.coaching.notes import note_text, write
    from faultml.coaching.rules import Coaching, load_rules
    from faultml.errors import InputError
    from faultml.faults.catalogue import load_catalogue
    from faultml.plan.lines import plan_lines
    from faultml.plan.of_results import plans_now
    from faultml.results import read_results
    from faultml.store.place import store_if_there

    file = results / EXPLANATIONS_FILE
    try:
        content = file.read_bytes()
    except OSError as error:
        expected = f"{EXPLANATIONS_FILE}, which classify leaves there"
        raise InputError("no-explanations", where=str(results), expected=expected) from error
    everybody, coaching = decode(content), Coaching(load_catalogue(), load_book(), load_rules())
    explanation = explain_player(everybody, player)
    today, read, place = date.today(), read_results(results), store_if_there(store)
    known = known_of_season(read.run, everybody, place, roster)
    explanation = explanation_now(explanation, known.body(player), coaching, today)
    if as_json:
        click.echo(encode({player: explanation}))
    else:
        now = plans_now(read, coach_notes(place) if place else None, known, coaching, today).get(player)
        plan = [f"plan on {now.on}: {line}" for line in plan_lines(now, coaching)] if now else []
        first = next((option.drill for option in explanation.options if option.rank == 1), "")
        if now and now.active and not explanation.reason and first != now.drill:
            plan.append(note_text(write(GIVEN_SINCE), coaching))
        click.echo("\n".join([*plan, *as_lines(explanation, coaching)]))
