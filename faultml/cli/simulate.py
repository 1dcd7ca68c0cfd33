"""``faultml simulate``: make a season of generated golfers."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import click


@click.command(short_help="Make a season of generated golfers.")
@click.option(
    "--out", required=True, type=click.Path(path_type=Path, file_okay=False), help="Folder for the season."
)
@click.option(
    "--golfers", type=click.IntRange(1), default=12, show_default=True, help="Players of the roster."
)
@click.option(
    "--sessions", type=click.IntRange(1), default=6, show_default=True, help="Sessions of each player."
)
@click.option(
    "--swings", type=click.IntRange(1), default=12, show_default=True, help="Recordings of each session."
)
@click.option(
    "--seed",
    type=click.IntRange(0),
    default=1,
    show_default=True,
    help="The same seed gives the same season.",
)
@click.option(
    "--format",
    "season_format",
    type=click.Choice(["parquet", "csv"]),
    default="parquet",
    show_default=True,
    help="Of the season's recordings.",
)
@click.option("--jobs", type=click.IntRange(1), default=2, show_default=True, help="Processes to use.")
@click.option(
    "--figures",
    is_flag=True,
    help="Also write figures.html: every fault pattern, and realised figures beside published ones.",
)
def command(
    out: Path,
    golfers: int,
    sessions: int,
    swings: int,
    seed: int,
    season_format: Literal["parquet", "csv"],
    jobs: int,
    figures: bool,
) -> None:
    """Make a season of generated golfers with known faults, to try things on.

    OUT gets season/ with the recordings and roster.csv, and truth/ with what the generator knows about them: true
    landmarks, measures, fault sizes and curves. Nothing in it comes from a real player. The pictures of --figures
    compare the season with published figures: that is calibration, no evidence that anything works.

    \b
    Example:
      faultml simulate --out generated/ --golfers 12 --seed 1 --figures
    """
    from faultml.faults.catalogue import load_catalogue
    from faultml.synthetic.recipe import Recipe
    from faultml.synthetic.season import iterate_golfers, roster_golfers
    from faultml.synthetic.tables import draw_roster
    from faultml.synthetic.write import write_synthetic

    if figures:  # before the season is drawn: what it needs may not be installed
        from faultml.synthetic.figures import write_figures

    catalogue = load_catalogue()
    recipe = Recipe(golfers=golfers, sessions=sessions, swings=swings, seed=seed)
    drawn = roster_golfers(catalogue, recipe)
    parts = iterate_golfers(catalogue, recipe, drawn, jobs=jobs)
    count = write_synthetic(parts, draw_roster(drawn, recipe), out, season_format)
    click.echo(f"{count} recordings of {golfers} generated players: {out / 'season'}")
    if figures:
        page = write_figures(catalogue, recipe, out / "truth", out / "figures.html")
        click.echo(f"Pictures of what was drawn: {page}")
