"""What commands know of players now; what was looked for and not found is stated on standard error."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from faultml.care.known import Known


def known_of_season(
    run: Mapping[str, Any],
    players: Iterable[str],
    store: Path | None,
    roster: Path | None,
    *,
    makes_store: bool = False,
) -> Known:
    """What is known now of everybody in results, by their ``run.json``.

    `makes_store`: whether the command makes a store where there is none, and says so itself.
    """
    from faultml.care.known import known_of_run

    known = known_of_run(run, map(str, players), date.today(), store=store, roster=roster)
    for sentence in known.missing:
        click.echo(f"No drill for anybody until it is found: {sentence}", err=True)
    if makes_store:
        return known.in_new_store()
    say_without_store(known)
    return known


def say_without_store(known: Known) -> None:
    """State on standard error that nothing is remembered, where no store was read."""
    if not known.remembered:
        click.echo(
            "No store was read, so nothing that players said before is known: drills are shown, not given. The first "
            "note makes one (faultml players says-none, hurts; assign), and --store names it.",
            err=True,
        )


def known_of_player(player: str, results: Path | None, roster: Path | None, store: Path | None) -> Known:
    """What is known now of a player: of somebody in results, or by the store alone.

    Raises
    ------
    InputError
        ``unknown-player`` where the results hold nobody of that name.
    """
    from faultml.care.known import known_in_store
    from faultml.errors import InputError
    from faultml.results import read_results
    from faultml.store.place import store_path

    path = store_path(store)
    there = path if path.exists() else None
    if results is None:
        if roster is not None:
            raise click.UsageError("--roster goes with --results, which say who was recorded")
        return known_in_store(there, [player], date.today())
    read = read_results(results)
    recorded = frozenset(map(str, read.players["player"]))
    if player not in recorded:
        some = ", ".join(sorted(recorded)[:10])
        expected = f"a player of the season: {some}"
        raise InputError("unknown-player", where=str(results), expected=expected, found=player)
    return known_of_season(read.run, recorded, there, roster)


def stale_pages(store: Path, results: Path | None) -> list[Path]:
    """Reports that were written before what the store says now: of the results named, and of those beside the store."""
    from faultml.care.sources import results_beside
    from faultml.results import REPORT_FILE
    from faultml.store import open_store

    with open_store(store, create=False) as opened:
        folders = [*([results] if results is not None else []), *results_beside(opened)]
    pages = {(folder / REPORT_FILE).resolve(): folder / REPORT_FILE for folder in reversed(folders)}
    return [page for page in pages.values() if page.exists()]


def known_beside_store(player: str, store: Path) -> Known | None:
    """What is known of a player by the newest results beside the store that recorded them; None where there are none.

    Their roster is read as it is now: somebody may have written into it since the store saw it.
    """
    from faultml.care.sources import results_beside
    from faultml.errors import FaultmlError
    from faultml.results import read_results
    from faultml.store import open_store

    with open_store(store, create=False) as opened:
        folders = results_beside(opened)
    for folder in folders:
        try:
            read = read_results(folder)
        except FaultmlError:
            continue
        recorded = frozenset(map(str, read.players["player"]))
        if player in recorded:
            click.echo(f"The roster was read that {folder} names.", err=True)
            return known_of_season(read.run, recorded, store, None)
    return None


def say_what_was_not_read(results: Path | None) -> None:
    """State on standard error that no roster was read, where something is noted without results."""
    if results is None:
        click.echo("No roster was read, which may say that something hurts: --results reads it.", err=True)


def names_in_store(player: str, store: Path | None) -> str:
    """A sentence for who records something of a name that no results were asked about; "" where the store knows it."""
    from faultml.store import open_store, store_path
    from faultml.store.people import recorded_players

    with open_store(store_path(store)) as opened:
        names = recorded_players(opened)
    if player in names:
        return ""
    some = ", ".join(names[:10]) + (", ..." if len(names) > 10 else "")
    known = f"the store knows {some}" if names else "the store knows nobody yet"
    return (
        f"The name {player} was not checked: {known}. Near spellings are held until it is mended, or faultml players"
        " not-a-player; --results checks it."
    )
