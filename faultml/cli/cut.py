"""``faultml cut``: cut range sessions in our own long layout into swings."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

if TYPE_CHECKING:
    from collections.abc import Sequence

    from faultml.importing.layout import Layout

_LAYOUT: Final = """
schema = 1
file.reader = "{reader}"
time = {{ column = "t_s", unit = "s" }}
worn.arm = "lead"
ids = {{ player = {{ column = "player" }}, session = {{ column = "session" }} }}
swings.split = "stream"
[angles]
flexion = {{ column = "flexion_deg", unit = "deg", positive = "flexion" }}
ulnar = {{ column = "ulnar_deg", unit = "deg", positive = "ulnar" }}
"""
_OPTIONAL: Final = {
    "pronation_deg": 'pronation = { column = "pronation_deg", unit = "deg", positive = "pronation" }',
    "impact_s": '[contact]\ntime_column = "impact_s"',
}
"""Our own long layout, and what it holds besides where the files have the column."""


@click.command("cut", short_help="Cut range sessions into swings.")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path, exists=True))
@click.option(
    "--layout",
    "layout_path",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Where everything stands in the files, if they are not in the layout below; see docs/layouts.md.",
)
@click.option("--out", required=True, type=click.Path(path_type=Path), help="Folder for the season.")
@click.option("--quiet", is_flag=True, help="Say nothing but errors.")
def command(files: tuple[Path, ...], layout_path: Path | None, out: Path, quiet: bool) -> None:
    """Cut whole range sessions into swings and write them as a season that ``classify`` reads.

    FILES are CSV or Parquet, one row a sample: player, session, t_s, flexion_deg, ulnar_deg and, where recorded,
    pronation_deg and impact_s (the contact nearest in time). Any length, in little memory. Waggles, walking, short
    shots and rehearsals are left out; SEASON/_cuts.csv says what was cut, what was left out and why. A full swing
    without a ball gets the context practice, where the recorder marks contacts; where it does not, the wrist cannot
    tell, and the table says "unknown".

    \b
    Exit codes: 0 done, 1 no swing that can be assessed, 2 wrong use, 3 done, with rows in _problems.csv.

    \b
    Example:
      faultml cut range-tuesday.csv --out season/
      faultml classify season/ --out results/
    """
    from faultml.cli.import_season import cutter, outcome
    from faultml.importing.layout import load_layout
    from faultml.importing.season import CUTS_FILE, alignment_of, import_season

    if layout_path:
        layout: Layout = load_layout(layout_path)
        if layout.swings.split != "stream":
            raise click.UsageError(f'{layout_path} says split = "{layout.swings.split}"; to cut, "stream"')
    else:
        layout = _own_layout(files)
    alignment = alignment_of(layout, layout_path) if layout_path else None
    run = import_season(files, layout, out, alignment=alignment, cut=cutter(layout))
    if not quiet:
        click.echo(outcome(run, out))
        click.echo(f"What was cut, what was left out and why: {out / CUTS_FILE}")
    sys.exit(run.exit_code)


def _own_layout(files: Sequence[Path]) -> Layout:
    """Our long layout with the optional columns that the first file has; all files are taken to be like it."""
    from faultml.importing.layout import parse_layout
    from faultml.recordings.files import find_files

    found = find_files(files).files
    if not found:
        raise click.UsageError("no CSV or Parquet file among them")
    path, kind = found[0]
    names = _names(path, parquet=kind == "parquet")
    parts = [_LAYOUT.format(reader="parquet" if kind == "parquet" else "text")]
    parts += [line for name, line in _OPTIONAL.items() if name in names]
    return parse_layout("\n".join(parts), where="faultml's own layout")


def _names(path: Path, *, parquet: bool) -> Sequence[str]:
    import gzip

    import pyarrow.parquet as pq

    if parquet:
        names: list[str] = pq.read_schema(path).names
        return names
    with path.open("rb") as stream:
        packed = stream.read(2) == b"\x1f\x8b"
    with gzip.open(path) if packed else path.open("rb") as table:
        return [
            name.strip(' "') for name in table.readline(10_000).decode("utf-8", "replace").strip().split(",")
        ]
