"""``faultml cut``: cut range sessions in our own long layout into swings."""

from __future__ import annotations

from pathlib import Path

import click

from faultml.cli import options


@click.command("cut", short_help="Cut range sessions into swings.")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path, exists=True))
@click.option(
    "--layout",
    "layout_path",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Where everything stands in the files, if they are not in the layout below; see docs/layouts.md.",
)
@click.option("--out", required=True, type=click.Path(path_type=Path), help="Folder for the season.")
@options.STORE
@click.option("--quiet", is_flag=True, help="Say nothing but errors.")
def command(
    files: tuple[Path, ...], layout_path: Path | None, out: Path, store: Path | None, quiet: bool
) -> None:
    """Cut whole range sessions into swings and write them as a season that ``classify`` reads.

    FILES are CSV or Parquet, one row a sample: player, session, t_s, flexion_deg, ulnar_deg and, where recorded,
    pronation_deg and impact_s (the contact nearest in time). Any length, in little memory. Waggles, walking, short
    shots and rehearsals are left out; SEASON/_cuts.csv says what was cut, what was left out and why. A full swing
    without a ball gets the context practice, where the recorder marks contacts; where it does not, the wrist cannot
    tell, and the table says "unknown". Players who have asked the store to be forgotten are left out.

    \b
    Exit codes: 0 done, 1 no swing that can be assessed, 2 wrong use, 3 done, with problems in the input.

    \b
    Example:
      faultml cut range-tuesday.csv --out season/
      faultml classify season/ --out results/
    """
    from faultml.cli.import_season import finish, show_files
    from faultml.cutting import cut_season, own_layout
    from faultml.importing.layout import load_layout
    from faultml.importing.season import CUTS_FILE, alignment_of
    from faultml.season.corrections import read_forgotten

    layout = load_layout(layout_path) if layout_path else own_layout(files)
    alignment = alignment_of(layout, layout_path) if layout_path else None
    run = cut_season(
        files,
        out,
        layout=layout,
        alignment=alignment,
        left_out=read_forgotten(store),
        on_file=None if quiet else show_files,
    )
    if not quiet:
        click.echo(f"What was cut, what was left out and why: {out / CUTS_FILE}")
    finish(run, out, quiet=quiet)
