"""``faultml train``: train the default model from a seed."""

from __future__ import annotations

import logging
from pathlib import Path

import click

from faultml.cli import options


@click.command(short_help="Train the default model from a seed.")
@click.option(
    "--out", required=True, type=click.Path(path_type=Path, file_okay=False), help="Folder for the bundle."
)
@click.option(
    "--seed", type=click.IntRange(0), default=20, show_default=True, help="Everything follows from it."
)
@click.option(
    "--jobs", type=click.IntRange(1), default=2, show_default=True, help="Processes to draw golfers with."
)
@click.option(
    "--scale",
    type=click.FloatRange(0.01, 10.0),
    default=1.0,
    show_default=True,
    help="Train on so many times the default number of golfers.",
)
@options.KEPT_IN
@click.option("--quiet", is_flag=True, help="Say nothing but errors.")
def command(out: Path, seed: int, jobs: int, scale: float, registry: Path | None, quiet: bool) -> None:
    """Draw golfers from the generator, learn landmarks, swing filter and faults, and write bundle, manifest and card.

    With --registry the training is kept there as a run, with its parameters, hashes, tables and figures, and the
    bundle becomes the challenger.

    \b
    Example:
      faultml train --out mymodel/ --seed 20
      faultml train --out mymodel/ --registry faultml-registry
    """
    from faultml.faults.catalogue import load_catalogue
    from faultml.pipelines.training.train import Plan, train

    if not quiet:
        logging.basicConfig(level=logging.INFO, format="%(message)s")
    manifest = train(load_catalogue(), Plan(seed=seed).scaled(scale), out, jobs=jobs)
    click.echo(f"Model {manifest.name} {manifest.version}: {out} ({manifest.sha256[:12]})")
    if registry:
        from faultml.pipelines.registry.registry import register, version_of

        known = version_of(registry, manifest.sha256)
        version = known or register(registry, out)
        click.echo(f"{'Was' if known else 'Kept'} in {registry} as version {version.number}.")
