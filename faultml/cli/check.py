"""``faultml check``: what is noticed about recordings, and what it means for the result."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from textwrap import fill
from typing import TYPE_CHECKING, Final

import click

from faultml.cli import options
from faultml.cli.season_run import left_out_lines

if TYPE_CHECKING:
    from faultml.check import Check, CheckLine
    from faultml.classifier.assess import Assessor

WIDTH: Final = 96
MAX_FILES: Final = 10
HEADS: Final = {
    "refuse": "Not assessed because of",
    "widen": "Assessed, but less sure because of",
    "report": "Also noticed",
}

LACKS: Final = {
    "": "no recording",
    "rows": "no CSV rows",
    "mark": "no contact mark",
    "pronation": "no forearm rotation",
    "full-swing": "no full swing",
    "declared-rate": "no stated rate",
    "coach-landmark": "no landmark moved by a coach",
    "earlier-session": "no earlier session of three swings or more",
    "layout": "no layout",
    "mounting": "mounting not stated",
    "run": "no run of classify",
}
"""Why a check could not be made, by what it needs."""


@click.command("check", short_help="Say what is wrong with recordings, and what it means.")
@click.argument("files", nargs=-1, type=click.Path(path_type=Path, exists=True))
@click.option(
    "--layout",
    "layout_path",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="TOML file that says where everything stands in the files; see docs/layouts.md.",
)
@options.STORE
@click.option("--json", "as_json", is_flag=True, help="The same as JSON, for other programs.")
@click.option("--explain", metavar="CODE", help="Say what a finding means and what to do, and no more.")
def command(
    files: tuple[Path, ...],
    layout_path: Path | None,
    store: Path | None,
    as_json: bool,
    explain: str | None,
) -> None:
    """Check the recordings in FILES, a season or any recorder's files with their layout. Nothing is written. Players
    who have asked the store to be forgotten are left out.

    \b
    Exit codes: 0 clean, 1 nothing could be assessed, 2 wrong use, 3 with problems in the input.

    \b
    Example:
      faultml check season/
      faultml check recordings/ --layout recorder.toml --json
      faultml check --explain sign-suspected
    """
    if explain is not None:
        click.echo(_explained(explain))
        return
    if not files:
        raise click.UsageError("Give the files to check, or --explain CODE.")
    check = _check_layout(files, layout_path, store) if layout_path else _check(files, store)
    click.echo(_as_json(check) if as_json else "\n".join(_lines(check)))
    sys.exit(check.exit_code)


def _check(files: Sequence[Path], store: Path | None) -> Check:
    from faultml.check import check_season
    from faultml.recordings.read import open_season
    from faultml.season.corrections import read_forgotten

    return check_season(open_season(files, left_out=read_forgotten(store)), default_assessor())


def _check_layout(files: Sequence[Path], layout_path: Path, store: Path | None) -> Check:
    """Import into a folder that goes away again, and check what came of it."""
    from faultml.check import check_import
    from faultml.cutting import cutter
    from faultml.importing.layout import load_layout
    from faultml.importing.season import alignment_of, import_season
    from faultml.season.corrections import read_forgotten

    layout = load_layout(layout_path)
    with TemporaryDirectory(prefix="faultml-check-") as folder:
        season = Path(folder) / "season"
        run = import_season(
            files,
            layout,
            season,
            alignment=alignment_of(layout, layout_path),
            cut=cutter(layout),
            left_out=read_forgotten(store),
        )
        check = check_import(season, default_assessor())
        check.left_out = (len(run.left_out), run.left_out.total())
        return check


def default_assessor() -> Assessor:
    """What assesses with the model that comes along."""
    from faultml.classifier.assess import Assessor
    from faultml.classifier.bundle import load_bundle
    from faultml.faults.catalogue import load_catalogue

    return Assessor(load_bundle(), load_catalogue())


def _explained(code: str) -> str:
    from faultml.check import DOCS_PAGE
    from faultml.recordings.findings import findings

    known = findings()
    if code not in known:
        from difflib import get_close_matches

        near = get_close_matches(code, known, 1)
        raise click.UsageError(
            f"No finding is called {code!r}." + (f" Did you mean {near[0]!r}?" if near else "")
        )
    finding = known[code]
    head = f"{code} ({finding.severity}): {finding.words}."
    return "\n".join([head, "", fill(finding.docs, WIDTH), finding.means, f"More: {DOCS_PAGE}#{code}"])


def _as_json(check: Check) -> str:
    return json.dumps(
        {
            "swings": check.n_swings,
            "assessed": check.n_assessed,
            "exit_code": check.exit_code,
            "left_out": {"players": check.left_out[0], "swings": check.left_out[1]},
            "files": [problem._asdict() for problem in check.files],
            "checks": [line.as_dict() for line in check.lines],
        },
        indent=2,
        ensure_ascii=False,
    )


def _lines(check: Check) -> Iterator[str]:
    found = [line for line in check.lines if line.status == "found"]
    yield f"{check.n_assessed} of {check.n_swings} recordings can be assessed."
    yield from left_out_lines(*check.left_out)
    if check.files:
        yield ""
        yield "Files"
        for problem in check.files[:MAX_FILES]:
            place = f"{problem.file}, row {problem.row}" if problem.row else problem.file
            yield fill(
                f"{place}: {problem.code}: found {problem.found}; expected {problem.expected}",
                WIDTH,
                initial_indent="  ",
                subsequent_indent="    ",
            )
        if len(check.files) > MAX_FILES:
            yield f"  and {len(check.files) - MAX_FILES} more"
    for severity, head in HEADS.items():
        lines = [line for line in found if line.finding.severity == severity]
        if lines:
            yield ""
            yield head
            for line in sorted(lines, key=lambda line: -line.swings):
                yield from _finding(line)
    yield ""
    yield from _table(check)


def _finding(line: CheckLine) -> Iterator[str]:
    from faultml.check import DOCS_PAGE

    finding = line.finding
    what = "session" if finding.needs == "earlier-session" else "swing"
    number = f"{line.swings} {what}{'s' if line.swings > 1 else ''}"
    yield f"  {finding.code}, {number}: {finding.words}"
    figures = f": found {line.found}; expected {line.expected}" if line.found else ""
    for text in (f"first {line.where}{figures}", f"{finding.docs} {finding.means}"):
        yield fill(text, WIDTH, initial_indent="    ", subsequent_indent="    ")
    yield f"    {DOCS_PAGE}#{finding.code}"


def _table(check: Check) -> Iterator[str]:
    """What passed and what could not be checked, by name."""
    titles = {"passed": "Checked, and nothing found", "not-applicable": "Not applicable here"}
    for status, title in titles.items():
        lines = [line for line in check.lines if line.status == status]
        if status == "passed":
            names = [line.finding.code for line in lines]
        else:
            names = [f"{line.finding.code} ({LACKS[line.finding.needs]})" for line in lines]
        if names:
            yield f"{title} ({len(names)})"
            yield fill(
                ", ".join(names), WIDTH, initial_indent="  ", subsequent_indent="  ", break_on_hyphens=False
            )
