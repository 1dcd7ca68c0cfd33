"""How fast, beside peers, in one run: ``make benchmark``."""

from __future__ import annotations

from pathlib import Path

import click

from faultml.pipelines.benchmarks import benchmark as bench
from faultml.pipelines.benchmarks import benchmark_page as page


@click.command(short_help="Measure how fast it is, beside peers.")
@click.option("--quick", "few", is_flag=True, help="A tenth of the swings and no long season.")
@click.option(
    "--peers",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    default=None,
    help="Interpreter of the peers' environment, which `make compare` builds; without, no peers.",
)
@click.option("--jobs", type=click.IntRange(1), default=2, show_default=True, help="Threads, for everybody.")
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=None,
    help="Folder for BENCHMARK.md and benchmark.json; a model card in it is written anew.",
)
@click.option("--json", "as_json", is_flag=True, help="For a program.")
def command(few: bool, peers: Path | None, jobs: int, out: Path | None, as_json: bool) -> None:
    """Time seasons, single swings and start-up, peers on the same swings, and print what was wanted beside it.

    Takes some minutes; what else the machine does shows in the figures.

    \b
    Example:
      python -m faultml.pipelines.benchmarks --quick
      make benchmark
    """
    load = bench.Load(jobs=jobs)
    figures = bench.benchmark(bench.quick(load) if few else load, peers)
    if out is not None:
        page.write_page(figures, out)
    click.echo(page.as_json(figures) if as_json else page.as_text(figures))


if __name__ == "__main__":
    command()
