"""``faultml demo``: a generated season, classified, with its report."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Final

import click

SEED: Final = 7
PLAYERS: Final = (
    "alder", "aspen", "birch", "cedar", "elder", "hazel", "juniper", "larch", "linden", "maple", "rowan", "willow",
)  # fmt: skip
"""The players of Tarnholt Academy, which does not exist."""


@click.command(short_help="Make a season, classify it and write its report.")
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("demo"),
    show_default=True,
    help="Folder for everything.",
)
@click.option(
    "--seed", type=click.IntRange(0), default=SEED, show_default=True, help="Of the generated season."
)
@click.option(
    "--jobs", type=click.IntRange(1), default=2, show_default=True, help="Processes and threads to use."
)
def command(out: Path, seed: int, jobs: int) -> None:
    """Make a season of twelve generated players of an academy that does not exist, and classify it.

    \b
    Example:
      faultml demo --out demo/
    """
    from faultml.classifier.bundle import load_bundle
    from faultml.cli.season_run import run_season
    from faultml.faults.catalogue import load_catalogue
    from faultml.synthetic.recipe import Recipe
    from faultml.synthetic.season import iterate_golfers, roster_golfers
    from faultml.synthetic.tables import draw_roster
    from faultml.synthetic.write import write_synthetic

    catalogue = load_catalogue()
    click.echo("Tarnholt Academy: twelve generated players, six sessions each. Nobody in it is real.")
    recipe = Recipe(golfers=len(PLAYERS), seed=seed, names=PLAYERS)
    golfers = roster_golfers(catalogue, recipe)
    parts = iterate_golfers(catalogue, recipe, golfers, jobs=jobs)
    write_synthetic(parts, draw_roster(golfers, recipe), out, "parquet")
    run = run_season([out / "season"], out / "results", bundle=load_bundle(), catalogue=catalogue, jobs=jobs)
    # Problems in its input are part of what the demo shows.
    sys.exit(0 if run.n_assessed else run.exit_code)
