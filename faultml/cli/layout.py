"""``faultml layout``: propose a layout for a recorder's files, and check one."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

import click

_FILE = click.Path(path_type=Path, exists=True, dir_okay=False)


@click.group("layout", short_help="Propose a layout for a recorder's files, or check one.")
def command() -> None:
    """Propose a layout for a recorder's files, or check one.

    A layout says where everything stands in a recorder's files; ``faultml import`` reads files by it.

    \b
    Example:
      faultml layout propose recordings/*.csv --out recorder.toml
      faultml layout check recorder.toml recordings/monday.csv
    """


@command.command("propose", short_help="Read files and propose their layout.")
@click.argument("files", nargs=-1, required=True, type=_FILE)
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), help="File to write the layout to.")
@click.option("--force", is_flag=True, help="Replace the file if it is there.")
@click.option("--json", "as_json", is_flag=True, help="The guesses as JSON, for other programs.")
def propose(files: tuple[Path, ...], out: Path | None, force: bool, as_json: bool) -> None:
    """Read FILES and propose their layout, each guess with its reason and its doubt.

    The first file's content is looked at, and all files' names. What could not be found out is left open as "?" with a
    question for you: nothing is flipped or scaled in silence. Answer the questions in the file, then import.

    \b
    Example:
      faultml layout propose recordings/*.csv --out recorder.toml
    """
    from faultml.importing.propose import proposal as proposals

    if out is not None and out.exists() and not force:
        raise click.BadParameter(f"{out} is there already; --force replaces it", param_hint="--out")
    with TemporaryDirectory(prefix="faultml-layout-") as folder:
        proposal = proposals.propose_layout(_unpacked(files, folder))
    if out is not None:
        _write(out, proposals.as_toml(proposal))
    if as_json:
        click.echo(proposals.as_json(proposal))
        return
    click.echo(proposals.as_text(proposal))
    if out is not None:
        click.echo(f"\nLayout: {out}")
    else:
        click.echo("\n" + proposals.as_toml(proposal), nl=False)


def _unpacked(files: Sequence[Path], folder: str) -> list[Path]:
    """The files, and those of archives among them, unpacked into a folder."""
    from faultml.importing.entries import find_recordings

    found = find_recordings(files, unpack_into=Path(folder))
    return [found.contents.get(path, path) for path in found.paths] or list(files)


def _write(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{path.name}.part")
    try:
        part.write_text(text, encoding="utf-8")
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


@command.command("check", short_help="Show what a layout would read of a file.")
@click.argument("layout_path", metavar="LAYOUT", type=_FILE)
@click.argument("file", type=_FILE)
@click.option("--roster", type=_FILE, help="Where the layout takes the hand from the roster.")
def check(layout_path: Path, file: Path, roster: Path | None) -> None:
    """Show what LAYOUT would read of FILE, and whether it looks like a lead wrist's full swings; nothing is written.

    Exit codes: 0 it looks right, 1 every swing would be refused or there was none to judge, 2 the layout or the file
    does not fit, 3 read, but look at what is said.

    \b
    Example:
      faultml layout check recorder.toml recordings/monday.csv
    """
    from faultml.cli.check import default_assessor
    from faultml.importing.layout import load_layout, open_questions
    from faultml.importing.propose.check import as_text
    from faultml.layouts import as_text as verdict
    from faultml.layouts import try_layout
    from faultml.recordings.roster import read_roster

    layout = load_layout(layout_path)
    questions = open_questions(layout)
    if questions:
        raise click.UsageError(f"still open in {layout_path}: {', '.join(questions)}")
    known = read_roster(roster)
    hands = dict(zip(known.table["player"], known.table["hand"], strict=True))
    with TemporaryDirectory(prefix="faultml-layout-") as folder:
        trial = try_layout(layout, layout_path, _unpacked([file], folder)[0], hands, default_assessor())
    click.echo("\n".join([as_text(trial.check), *verdict(trial)]))
    sys.exit(trial.exit_code)
