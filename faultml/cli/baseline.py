"""``faultml baseline``: note that a player's sensor has moved, or that the grip is another."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Literal

import click

from faultml.cli import options


@click.command("baseline", short_help="Note a moved sensor or a new grip.")
@click.argument("player")
@click.option(
    "--why", required=True, type=click.Choice(["sensor", "grip"]), help="What is another than before."
)
@options.DAY
@click.option("--remove", is_flag=True, help="Take back what was noted by mistake.")
@options.STORE
def command(
    player: str, why: Literal["sensor", "grip"], on: datetime | None, remove: bool, store: Path | None
) -> None:
    """Note in the coach's store that from a day on PLAYER's angles cannot be compared with those before: the sensor
    sits elsewhere, or the grip has changed. The plan then counts the drill from the first session after it.

    \b
    Example:
      faultml baseline p07 --why grip --on 2031-04-12
    """
    from datetime import date

    from faultml.plan.practice import note_baseline, remove_baseline
    from faultml.plan.records import BaselineNote
    from faultml.store import open_store, store_path

    day = on.date() if on else date.today()
    note = BaselineNote(player, day.isoformat(), why)
    with open_store(store_path(store), create=not remove) as opened:
        if remove:
            remove_baseline(opened, note)
        else:
            note_baseline(opened, note)
    what = "the sensor sits elsewhere" if why == "sensor" else "another grip"
    click.echo(f"{'Taken back' if remove else 'Noted'}: {player}, {what} from {day}")
