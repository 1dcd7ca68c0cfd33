"""``faultml players``: everything about a player, given out or removed."""

from __future__ import annotations

import glob
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from faultml.cli import options, players_care

if TYPE_CHECKING:
    from faultml.recordings.people import Found
    from faultml.store.people import Removed

OUT_OF_REACH: Final = (
    "copies and backups of the store and of the disk: run this on each copy (--store COPY), or delete it",
    "what players export has given out",
    "sheets exported (verdicts, drills given, outcomes), reports and results kept elsewhere",
    "edges moved for the player in a file of yours",
    "seasons sent to a server, which lie in its spool (faultml-seasons/ beside the store) until they are deleted",
    "other registries, copies of one, mlflow runs elsewhere, and servers that have a model loaded: start them again",
    "practice cards that were printed or saved",
    "the recorder's own files and program",
    "what a group's figures in results have learned from the player, until classify is run again",
)


def _sources(function: Callable[..., None]) -> Callable[..., None]:
    """The options that say where to look."""
    existing = click.Path(path_type=Path, exists=True)
    for option in (
        options.STORE,
        click.option(
            "--coach",
            "coaches",
            multiple=True,
            type=click.Path(path_type=Path, exists=True, file_okay=False),
            help="A coach adaptation that retrain left: named where it has learned from the player. May be repeated.",
        ),
        click.option(
            "--pseudonyms",
            type=click.Path(path_type=Path, exists=True, dir_okay=False),
            help="The table of pseudonyms that import keeps; PLAYER may then be the name.",
        ),
        click.option("--results", multiple=True, type=existing, help="A results folder. May be repeated."),
        click.option(
            "--season",
            multiple=True,
            type=existing,
            help="Files or a folder of recordings, with the roster beside. May be repeated.",
        ),
    ):
        function = option(function)
    return function


@click.group(short_help="What a player says of pain; export or forget one.")
def command() -> None:
    """Record what a player says of pain and earlier trouble; give out or remove everything about a player, or take one
    in again who had asked to be forgotten.

    \b
    Example:
      faultml players hurts p07 --where wrist
      faultml players export p07 --out p07/ --season season/ --results results/
      faultml players forget p07 --season season/ --results results/ --dry-run
    """


for each in (
    players_care.hurts,
    players_care.mistake,
    players_care.says_none,
    players_care.return_to_practice,
    players_care.history,
    players_care.not_a_player,
    players_care.care,
):
    command.add_command(each)


@command.command("export", short_help="Give out everything about a player.")
@click.argument("player")
@click.option("--out", required=True, type=click.Path(path_type=Path), help="A new folder for it.")
@_sources
def export_player(
    player: str,
    out: Path,
    season: tuple[Path, ...],
    results: tuple[Path, ...],
    pseudonyms: Path | None,
    coaches: tuple[Path, ...],
    store: Path | None,
) -> None:
    """Copy everything about PLAYER into a new folder: recordings as they are, tables as CSV.

    \b
    Example:
      faultml players export p07 --out p07/ --season season/ --results results/
    """
    from faultml.errors import InputError
    from faultml.importing.pseudonyms import load_pseudonyms
    from faultml.recordings.people import copy_player
    from faultml.results.folders import replaced_folder
    from faultml.results.people import copy_from_results
    from faultml.results.sheets import write_sheet
    from faultml.results.tables import infer_schema
    from faultml.store import open_store
    from faultml.store.people import models_of, rows_about

    def must_be_new(folder: Path) -> None:
        raise InputError("file-exists", where=str(folder), expected="a new folder")

    who = _who(player, pseudonyms)
    lines = []
    with replaced_folder(out, must_be_new) as part:
        for found in copy_player(season, who, part / "season") if season else []:
            lines.append(_row_line(found.file, found.rows))
        for number, folder in enumerate(results, 1):
            counts = copy_from_results(folder, who, part / f"results-{number}")
            lines += [_row_line(folder / table, n) for table, n in counts.items()]
        path = _store(store)
        if path is not None:
            with open_store(path) as opened:
                for table, rows in rows_about(opened, who).items():
                    write_sheet(rows, part / "store" / f"{table}.csv", infer_schema(rows))
                    lines.append(_row_line(path / table, len(rows)))
                lines += [
                    f"  {each} has learned from the player's verdicts"
                    for each in _named(models_of(opened, who), coaches)
                ]
        if pseudonyms is not None and (pair := load_pseudonyms(pseudonyms).find(who)):
            lines.append(f"  {pseudonyms}: {pair[0]} is {pair[1]} there")
        if not lines:
            raise InputError("unknown-player", where=player, expected="somebody in what was given")
        summary = [f"Everything about {who} in what was given, as of today.", *lines]
        (part / "about.txt").write_text("\n".join(summary) + "\n", encoding="utf-8")
    click.echo("\n".join([*summary, f"In {out}"]))


@command.command("forget", short_help="Remove everything about a player.")
@click.argument("player")
@click.option("--dry-run", is_flag=True, help="Only tell what would be removed.")
@click.option("--yes", is_flag=True, help="Do not ask.")
@click.option(
    "--registry",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="A registry of models: versions that have learned from the player are withdrawn, and their files deleted.",
)
@_sources
def forget_player(
    player: str,
    dry_run: bool,
    yes: bool,
    registry: Path | None,
    season: tuple[Path, ...],
    results: tuple[Path, ...],
    pseudonyms: Path | None,
    coaches: tuple[Path, ...],
    store: Path | None,
) -> None:
    """Remove everything about PLAYER from what is given, and tell what could not be reached.

    A token without the name stays in the store, so that nothing about the player is taken in again and models that
    have learned from their labels can be named.

    \b
    Exit codes: 0 done, 1 nothing was found, 2 wrong use.

    \b
    Example:
      faultml players forget p07 --season season/ --results results/ --dry-run
    """
    who = _who(player, pseudonyms)
    path = _store(store)
    where = (who, season, results, pseudonyms, coaches, path, registry)
    lines, there = _forget(*where, dry_run=True)
    click.echo("\n".join([f"About {who}:", *(lines or ["  nothing in what was given"])]))
    before = path is not None and _was_forgotten(path, who)
    if before:
        click.echo("  was forgotten before")
    if dry_run or not (there or before):
        _tell_out_of_reach(season, results, pseudonyms, path, registry)
        sys.exit(0 if there or before else 1)
    if there and not yes:
        click.confirm("Remove all of it? It cannot be brought back", abort=True)
    _forget(*where, dry_run=False)
    click.echo("Removed.")
    _tell_out_of_reach(season, results, pseudonyms, path, registry)


@command.command("readmit", short_help="Take in a player again who was forgotten.")
@click.argument("player")
@options.STORE
def readmit_player(player: str, store: Path | None) -> None:
    """Let PLAYER be taken in again, who was forgotten and has agreed anew. What was removed stays removed.

    \b
    Example:
      faultml players readmit p07
    """
    from faultml.store import open_store, store_path
    from faultml.store.people import readmit

    with open_store(store_path(store), create=False) as opened:
        was = readmit(opened, player)
    click.echo("Can be taken in again." if was else "Was not forgotten.")


def _forget_parts(results: Path, *, dry_run: bool) -> list[str]:
    """Remove what an unfinished run into these results has left: whole, since anybody may be in it."""
    import shutil

    from faultml.season.workplace import parts_folder

    found = [*results.resolve().parent.glob(f"{glob.escape(parts_folder(results).name)}*")]
    for folder in found if not dry_run else ():
        shutil.rmtree(folder)
    return [f"  {folder}: what an unfinished run has left" for folder in found]


def _forget(
    who: str,
    season: tuple[Path, ...],
    results: tuple[Path, ...],
    pseudonyms: Path | None,
    coaches: tuple[Path, ...],
    store: Path | None,
    registry: Path | None,
    *,
    dry_run: bool,
) -> tuple[list[str], bool]:
    """Remove a player, the store last: what there was, and whether there was anything."""
    from faultml.importing.pseudonyms import load_pseudonyms
    from faultml.recordings.people import remove_player
    from faultml.results import REPORT_FILE
    from faultml.results.pages import PAGES_FOLDER
    from faultml.results.people import remove_from_results
    from faultml.store import open_store
    from faultml.store.people import forget

    lines = [_found_line(found) for found in (remove_player(season, who, dry_run=dry_run) if season else [])]
    for folder in results:
        page = folder / REPORT_FILE
        had_page = page.exists() or (folder / PAGES_FOLDER).exists()
        counts = remove_from_results(folder, who, dry_run=dry_run)
        lines += [_row_line(folder / table, n) for table, n in counts.items()]
        if counts and had_page:
            lines.append(f"  {page}: the whole report; faultml report writes it anew")
        lines += _forget_parts(folder, dry_run=dry_run)
    also: tuple[str, ...] = ()
    if pseudonyms is not None:
        table = load_pseudonyms(pseudonyms)
        if pair := table.find(who):
            also = pair[:1]  # imported again, the name would get another pseudonym
            lines.append(_row_line(pseudonyms, 1))
            if not dry_run:
                table.drop(who)
                table.save()
    there = bool(lines)
    if store is not None:
        with open_store(store) as opened:
            learned = forget(opened, who, also=also, dry_run=True).bundles
            withdrawn = _withdraw(registry, learned, dry_run=dry_run) if registry else []
            removed = forget(opened, who, also=also, dry_run=dry_run)
        lines += [*_store_lines(store, removed, coaches), *withdrawn]
        there = there or bool(withdrawn)
        there = there or bool(removed.rows)
    return lines, there


def _withdraw(registry: Path, learned: Sequence[str], *, dry_run: bool) -> list[str]:
    """Take every version out of use that has learned from the player: which ones."""
    from faultml.cli.models import withdraw_all
    from faultml.pipelines.registry.registry import learned_from

    found = learned_from(registry, learned)
    if not dry_run:
        withdraw_all(registry, found)
    return [
        f"  {registry}: version {each.number} of {each.of}, {' and '.join(each.aliases) or 'unused'}, with its files"
        for each in found
    ]


def _was_forgotten(store: Path, who: str) -> bool:
    """Whether a player was forgotten before; what a busy store had left of them is cleared all the same."""
    from faultml.store import open_store
    from faultml.store.people import forgotten

    with open_store(store) as opened, opened.reading() as connection:
        return who in forgotten(connection, [who])


def _store_lines(store: Path, removed: Removed, coaches: tuple[Path, ...]) -> list[str]:
    lines = [_row_line(store / table, n) for table, n in removed.rows.items()]
    lines += [
        f"{_row_line(store / table, n)} about others with the player's name in it: look yourself"
        for table, n in removed.mentions.items()
    ]
    return lines + [
        f"  {each} has learned from the player's verdicts, and stays as it is until faultml retrain makes it anew"
        for each in _named(removed.bundles, coaches)
    ]


def _named(learned: Sequence[str], coaches: tuple[Path, ...]) -> list[str]:
    """What has learned, by its folder where that is given, else by its hash."""
    from faultml.classifier.coach_adaptation import load_adaptation

    folders = {load_adaptation(folder)[0].sha256: f"the coach adaptation in {folder}" for folder in coaches}
    return [
        folders.get(each, f"a model or a coach adaptation (adaptation.json of SHA-256 {each})")
        for each in learned
    ]


def _tell_out_of_reach(
    season: tuple[Path, ...],
    results: tuple[Path, ...],
    pseudonyms: Path | None,
    store: Path | None,
    registry: Path | None,
) -> None:
    missing = [
        what
        for what, given in (
            ("recordings (--season)", season),
            ("results (--results)", results),
            ("the store (--store)", store),
            ("the table of pseudonyms (--pseudonyms)", pseudonyms),
            ("a registry of models (--registry)", registry),
        )
        if not given
    ]
    lines = [f"  not given, so not looked at: {', '.join(missing)}"] if missing else []
    click.echo(
        "\n".join(["Not within reach of this command:", *lines, *(f"  {each}" for each in OUT_OF_REACH)])
    )


def _who(player: str, pseudonyms: Path | None) -> str:
    """The player's id in the recordings: the pseudonym where there is one."""
    from faultml.importing.pseudonyms import load_pseudonyms

    found = load_pseudonyms(pseudonyms).find(player) if pseudonyms else None
    return found[1] if found else player


def _store(given: Path | None) -> Path | None:
    """The store, None where there is none and none was asked for."""
    from faultml.errors import InputError
    from faultml.store import store_path

    path = store_path(given)
    if path.exists():
        return path
    if given is not None:
        raise InputError("no-such-store", where=str(path), expected="a store of faultml")
    return None


def _found_line(found: Found) -> str:
    return _row_line(found.file, found.rows) + ("" if found.others else ", the whole file")


def _row_line(place: Any, rows: int) -> str:
    return f"  {place}: {rows} {'row' if rows == 1 else 'rows'}"
