"""``faultml practised``: note what a player has practised."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from faultml.cli import options

if TYPE_CHECKING:
    from datetime import date

    from faultml.store import Store


@click.command("practised", short_help="Note what a player has practised.")
@click.argument("player")
@click.option("--sets", type=click.IntRange(1, 99), metavar="N", help="Sets of the drill that were done.")
@click.option("--balls", type=click.IntRange(0, 9999), metavar="N", help="Balls hit at it.")
@options.DAY
@click.option(
    "--drill", metavar="DRILL", help="Which drill, by its id or its name.  [default: the one given last]"
)
@click.option("--remove", is_flag=True, help="Take back what was noted for the day.")
@options.RESULTS
@options.ROSTER
@options.STORE
def command(
    player: str,
    sets: int | None,
    balls: int | None,
    on: datetime | None,
    drill: str | None,
    remove: bool,
    results: Path | None,
    roster: Path | None,
    store: Path | None,
) -> None:
    """Note in the coach's store that PLAYER has practised a drill on a day. The plan counts such days. A second note of
    a day takes the place of the first. The care check is asked first: nothing is noted of a player who is paused.

    \b
    Example:
      faultml practised p07 --sets 3
      faultml practised p07 --sets 2 --on 2031-04-09 --drill two_stops_to_the_top
    """
    from datetime import date

    from faultml.cli.known import known_beside_store, known_of_player, say_what_was_not_read
    from faultml.coaching.book import load_book
    from faultml.plan.practice import note_practice, remove_practice
    from faultml.plan.records import PracticeNote
    from faultml.store import open_store, store_path

    if (sets is None) is not remove:
        raise click.UsageError("give --sets, or --remove")
    day = on.date() if on else date.today()
    book = load_book()
    named = book.named(drill, where="practised") if drill is not None else None
    with open_store(store_path(store), create=False) as opened:
        chosen = named.id if named is not None else _given_last(opened, player, day)
        name = book[chosen].name if chosen in book else chosen
        if sets is None:
            remove_practice(opened, player, chosen, day.isoformat())
            click.echo(f"Taken back: {player}, {name} [{chosen}], {day}")
            return
        note = PracticeNote(player, chosen, day.isoformat(), sets, balls)
        beside = known_beside_store(player, opened.path) if results is None and roster is None else None
        known = beside or known_of_player(player, results, roster, store)
        replaced = note_practice(opened, [note], known, book, date.today())
    if beside is None:
        say_what_was_not_read(results)
    before = f" (before: {replaced[0].sets})" if replaced else ""
    click.echo(f"Noted: {player}, {name} [{chosen}], {day}, {sets} {'set' if sets == 1 else 'sets'}{before}")


def _given_last(store: Store, player: str, day: date) -> str:
    """The drill that a player was on, by the store alone."""
    from faultml.errors import InputError
    from faultml.plan.store_notes import read_notes
    from faultml.results.sessions import session_date

    given = [
        (when, each.noted, each.drill)
        for each in read_notes(store).given
        if each.player == player and (when := session_date(each.since)) is not None and when <= day
    ]
    if not given:
        raise InputError(
            "no-drill-given", where=player, expected="a drill given by that day (faultml assign), or --drill"
        )
    return max(given)[-1]
