"""``faultml landmarks``: landmarks that a coach has moved on the desk."""

from __future__ import annotations

from pathlib import Path

import click

from faultml.cli import options


@click.group(short_help="List, export or take back landmarks a coach moved.")
def command() -> None:
    """Landmarks (takeaway, top, impact) that a coach has moved on the desk's page of a swing.

    classify uses them in the place of those it finds, wherever it is given the coach's store; the table swings names
    them in coach_landmarks.

    \b
    Example:
      faultml landmarks list --player p07
      faultml landmarks undo p07 2031-04-05 012 --coach ann
    """


@command.command("list", short_help="Every landmark that holds as a coach has moved it.")
@click.option("--player", metavar="ID", help="Only this player's.")
@options.STORE
def show(player: str | None, store: Path | None) -> None:
    """List every landmark that holds: where it was put, where it had been found, by whom and when.

    \b
    Example:
      faultml landmarks list
    """
    from faultml.labels.landmarks import all_moved
    from faultml.store import open_store, store_path

    with open_store(store_path(store), create=False) as opened:
        held = [each for each in all_moved(opened) if player in (None, each.player)]
    for each in held:
        click.echo(
            f"{each.player} / {each.session} / {each.swing}: {each.landmark} at {each.at_s:.3f} s, found at "
            f"{each.found_s:.3f} s; {each.coach}, {each.when}"
        )
    if not held:
        click.echo("No landmark was moved.")


@command.command("export", short_help="Write them as a sheet.")
@click.argument("sheet", type=click.Path(path_type=Path, dir_okay=False))
@options.STORE
def export(sheet: Path, store: Path | None) -> None:
    """Write every landmark that holds to SHEET (CSV), seconds on the recorder's clock.

    \b
    Example:
      faultml landmarks export landmarks.csv
    """
    from faultml.labels.landmarks import export_landmarks
    from faultml.store import open_store, store_path

    with open_store(store_path(store), create=False) as opened:
        n = export_landmarks(opened, sheet)
    click.echo(f"{n} landmarks: {sheet}")


@command.command("undo", short_help="Take back the last move on a swing.")
@click.argument("player")
@click.argument("session")
@click.argument("swing")
@click.option("--coach", required=True, metavar="NAME", help="Who takes it back.")
@options.STORE
def undo(player: str, session: str, swing: str, coach: str, store: Path | None) -> None:
    """Take back the last move on SWING of PLAYER in SESSION that holds. What was there before it holds again, once the
    season is classified anew. The move stays on record.

    \b
    Example:
      faultml landmarks undo p07 2031-04-05 012 --coach ann
    """
    from faultml.errors import InputError
    from faultml.labels.landmarks import undo_landmark
    from faultml.store import open_store, store_path

    with open_store(store_path(store), create=False) as opened:
        taken = undo_landmark(opened, (player, session, swing), coach)
    if taken is None:
        where = f"{player} / {session} / {swing}"
        raise InputError(
            "nothing-moved", where=where, expected="a swing with a moved landmark", found="none: see list"
        )
    click.echo(
        f"Taken back: {taken.landmark} at {taken.at_s:.3f} s, by {taken.coach}. Classify the season again."
    )
