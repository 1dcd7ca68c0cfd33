"""Swings a second with so many workers, and what a run that is killed again and again leaves: ``python -m``.

python -m faultml.pipelines.benchmarks.throughput               # one season here, in 1 and in 2 processes
python -m faultml.pipelines.benchmarks.throughput --kills 20    # the same, killed 20 times and resumed
"""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import click

from faultml.pipelines.benchmarks.benchmark import full_swings, write_long_season
from faultml.results import RUN_FILE


@click.command()
@click.option("--swings", default=20_000, show_default=True, help="Of the season.")
@click.option("--workers", multiple=True, type=int, default=(1, 2), show_default=True)
@click.option(
    "--kills", default=0, show_default=True, help="Kill a run so often, at random moments, and resume it."
)
@click.option("--seed", default=0, show_default=True, help="Of those moments.")
def command(swings: int, workers: tuple[int, ...], kills: int, seed: int) -> None:
    """Measure how many swings a second a season takes, start-up included."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        season = write_long_season(full_swings(), folder / "season", swings)
        for number in workers:
            started = time.perf_counter()
            subprocess.run(
                _classify(season, folder / f"out-{number}", number), check=False, capture_output=True
            )
            seconds = time.perf_counter() - started
            click.echo(f"{number} workers: {swings / seconds:,.0f} swings/s ({seconds:.1f} s)")
        if kills:
            reference = folder / f"out-{workers[0]}"
            ended = _kill(season, folder / "killed", kills, seconds, seed)
            click.echo(f"killed {ended} times of {kills}; same bytes: {_equal(reference, folder / 'killed')}")


def _classify(season: Path, out: Path, workers: int) -> list[str]:
    place = f"local:{workers}"
    return [
        sys.executable, "-c", "from faultml.cli import main; main()", "classify", str(season), "--out", str(out),
        "--no-report", "--quiet", "--on", place,
    ]  # fmt: skip


def _kill(season: Path, out: Path, kills: int, seconds: float, seed: int) -> int:
    """Run again and again, each time killed at a random moment; at last to its end. How often it was in time."""
    moments = random.Random(seed)
    ended = 0
    for _ in range(kills):
        with subprocess.Popen(_classify(season, out, 2)) as run:
            try:
                run.wait(moments.uniform(0, seconds))
            except subprocess.TimeoutExpired:
                run.send_signal(signal.SIGKILL)
                ended += 1
    subprocess.run(_classify(season, out, 2), check=False)
    return ended


def _equal(one: Path, other: Path) -> bool:
    """Whether two results folders hold the same bytes; only ``run.json`` says when it was made."""
    first, second = (
        {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}
        for folder in (one, other)
    )
    return first.keys() == second.keys() and all(
        first[name] == second[name] for name in first.keys() - {RUN_FILE}
    )


if __name__ == "__main__":
    command()
