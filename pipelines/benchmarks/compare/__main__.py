"""The model beside its peers, under shifts, and on public data: ``make compare``."""

from __future__ import annotations

import logging
from pathlib import Path

import click


@click.command(short_help="Compare the model with its peers, under shifts.")
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for COMPARE.md and compare.json; a model card in it is written anew.",
)
@click.option("--quick", is_flag=True, help="A few golfers only: to see that it runs.")
@click.option(
    "--seeds", type=click.IntRange(1), default=None, help="Repetitions; 5, with --quick 1, if not given."
)
@click.option(
    "--peers",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    default=None,
    help="Interpreter of the peers' environment, which `make compare` builds; without, no peers.",
)
@click.option(
    "--model",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="Folder of another model than the default one.",
)
@click.option("--jobs", type=click.IntRange(1), default=2, show_default=True, help="Processes and threads.")
@click.option("--quiet", is_flag=True, help="Say nothing but errors.")
def command(
    out: Path,
    quick: bool,
    seeds: int | None,
    peers: Path | None,
    model: Path | None,
    jobs: int,
    quiet: bool,
) -> None:
    """Draw golfers whom nobody was trained on, in distribution and under shifts, and compare with peers.

    All figures but those on public data are synthetic. A full run with peers takes about
    half an hour on two cores.

    \b
    Example:
      python -m faultml.pipelines.benchmarks.compare --quick --out comparison/
      make compare
    """
    from dataclasses import replace

    from faultml.classifier.bundle import MANIFEST_FILE, load_bundle, read_manifest
    from faultml.faults.catalogue import load_catalogue
    from faultml.pipelines.benchmarks.compare.run import PAGE_FILE, Sizes, compare
    from faultml.pipelines.training.card import write_card

    if not quiet:
        logging.basicConfig(level=logging.INFO, format="%(message)s")
    sizes = Sizes.quick() if quick else Sizes()
    if seeds is not None:
        sizes = replace(sizes, seeds=seeds)
    compare(load_catalogue(), load_bundle(model), out, sizes, python=peers, jobs=jobs)
    if (out / MANIFEST_FILE).exists():
        write_card(out, read_manifest(out))
    click.echo(f"Comparison: {out / PAGE_FILE}")


if __name__ == "__main__":
    command()
