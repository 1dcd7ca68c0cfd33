"""``faultml import``: read any recorder's files by a layout into a season."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Final, NoReturn

import click

from faultml.cli import options
from faultml.cli.season_run import left_out_lines

if TYPE_CHECKING:
    from faultml.check import Check
    from faultml.importing.importer import ImportRun

MAX_NAMED: Final = 5
SHOWN_EVERY: Final = 1000
WIDTH: Final = 96


@click.command("import", short_help="Read any recorder's files into a season.")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path, exists=True))
@click.option(
    "--layout",
    "layout_path",
    required=True,
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="TOML file that says where everything stands in the files; see docs/layouts.md.",
)
@click.option("--out", required=True, type=click.Path(path_type=Path), help="Folder for the season.")
@click.option(
    "--roster",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Roster to stand beside the season.",
)
@click.option(
    "--marks",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="A coach's marks of landmarks to stand beside the season; see docs/contact.md.",
)
@click.option(
    "--pseudonyms",
    "pseudonyms_path",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Table player,pseudonym that you keep: the season holds pseudonyms only; new players get one.",
)
@options.STORE
@click.option("--quiet", is_flag=True, help="Say nothing but errors.")
def command(
    files: tuple[Path, ...],
    layout_path: Path,
    out: Path,
    roster: Path | None,
    marks: Path | None,
    pseudonyms_path: Path | None,
    store: Path | None,
    quiet: bool,
) -> None:
    """Read FILES, or all files of folders, by a layout and write them as a season that ``classify`` reads.

    Nothing is guessed, flipped or scaled in silence: a layout with open questions is refused. What could not be read
    stands in SEASON/_problems.csv. SEASON is replaced as a whole once the new one is complete. Then it is checked as
    ``check`` does, whose verdict is the last word. Players who have asked the store to be forgotten are left out.

    \b
    Exit codes: 0 done, 1 no swing that can be assessed, 2 wrong use, 3 done, with problems in the input.

    \b
    Example:
      faultml import recordings/ --layout recorder.toml --out season/
      faultml classify season/ --out results/
    """
    from faultml.cutting import cutter
    from faultml.importing.layout import load_layout
    from faultml.importing.pseudonyms import load_pseudonyms
    from faultml.importing.season import alignment_of, import_season
    from faultml.season.corrections import read_forgotten

    layout = load_layout(layout_path)
    run = import_season(
        files,
        layout,
        out,
        roster=roster,
        marks=marks,
        pseudonyms=load_pseudonyms(pseudonyms_path) if pseudonyms_path else None,
        alignment=alignment_of(layout, layout_path),
        cut=cutter(layout),
        left_out=read_forgotten(store),
        on_file=None if quiet else show_files,
    )
    finish(run, out, quiet=quiet)


def show_files(done: int, total: int) -> None:
    """Progress of an import of many files, on stderr."""
    if total >= SHOWN_EVERY and (done % SHOWN_EVERY == 0 or done == total):
        click.echo(f"{done:,} of {total:,} files read", err=True)


class _ShowSwings:
    """Progress of a long check, on stderr."""

    def __init__(self) -> None:
        self._next = SHOWN_EVERY

    def __call__(self, done: int) -> None:
        if done >= self._next:
            click.echo(f"{done:,} swings checked", err=True)
            self._next = done + SHOWN_EVERY


def finish(run: ImportRun, out: Path, *, quiet: bool) -> NoReturn:
    """Say what an import has left and what the check makes of it, and end with the check's exit code."""
    from faultml.check import check_import
    from faultml.cli.check import default_assessor

    if not quiet:
        click.echo(outcome(run, out))
    check = check_import(out, default_assessor(), None if quiet else _ShowSwings())
    if not quiet:
        click.echo("\n".join(verdict(check, run.n_swings, out)))
    sys.exit(check.exit_code)


def verdict(check: Check, n_swings: int, out: Path) -> Iterator[str]:
    """What the check of an imported season says, in a few lines."""
    yield f"{check.n_assessed} of {_counted(n_swings, 'swing')} can be assessed."
    found = [line for line in check.lines if line.status == "found"]
    heaviest = sorted(found, key=lambda line: (line.finding.severity != "refuse", -line.swings))
    serious = [line for line in heaviest if line.finding.severity == "refuse" or line.finding.problem]
    for line in serious[:MAX_NAMED]:
        yield f"  {line.swings} x {line.finding.code}: {line.finding.words}"
        if line.finding.code == "layout-suspected":
            yield fill(line.finding.docs, WIDTH, initial_indent="    ", subsequent_indent="    ")
    if found:
        yield f"More: faultml check {out}"


def outcome(run: ImportRun, out: Path) -> str:
    """What an import has left, as the command says it."""
    from faultml.importing.season import PROBLEMS_FILE

    files, players = _counted(run.n_files, "file"), _counted(len(run.players), "player")
    lines = [f"{_counted(run.n_swings, 'swing')} of {players} from {files}, {run.n_sound} read whole."]
    if run.n_shocks:
        lines.append(f"Contact placed by its shock: {run.n_shocks} of {_counted(run.n_swings, 'swing')}.")
    if run.n_written < run.n_swings:
        lines.append(f"{run.n_swings - run.n_written} could not be taken into the season.")
    lines += left_out_lines(len(run.left_out), run.left_out.total())
    if run.findings:
        kinds = [f"{count} x {code}" for code, count in run.findings.most_common()]
        lines.append(f"Findings: {_first(kinds, ', ')}")
    if run.unread:
        unread = [
            f"{Path(each.file).name} ({each.code}: found {each.found}; expected {each.expected})"
            for each in run.unread
        ]
        lines.append(f"Not read, or not to the end: {_first(unread, '; ')}")
    if run.n_problems:
        lines.append(f"{_counted(run.n_problems, 'problem')}: {out / PROBLEMS_FILE}")
    lines.append(f"Season: {out}")
    return "\n".join(lines)


def _counted(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def _first(items: Sequence[str], between: str) -> str:
    more = f"{between}and {len(items) - MAX_NAMED} more" if len(items) > MAX_NAMED else ""
    return between.join(items[:MAX_NAMED]) + more
