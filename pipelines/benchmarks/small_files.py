"""How a season of very many small files is classified: ``python -m faultml.pipelines.benchmarks.small_files``."""

from __future__ import annotations

import resource
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

import click

from faultml.pipelines.benchmarks.benchmark import SWINGS_PER_PLAYER, full_swings
from faultml.recordings.swings import SwingBatch
from faultml.recordings.write import write_season
from faultml.results import read_results

FILES_A_FOLDER: Final = 1_000


@click.command()
@click.option("--files", default=100_000, show_default=True, type=click.IntRange(1, 200_000))
def command(files: int) -> None:
    """Write a file a swing, classify them in this machine's processes, and say what that took.

    The files hold the same 400 generated swings under other ids, so that their content is read but not drawn anew.
    """
    with TemporaryDirectory() as name:
        folder = Path(name)
        _write(folder / "season", files)
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        done = subprocess.run(
            [sys.executable, "-c", "from faultml.cli import main; main()", "classify", "season", "--out", "results",
             "--no-report", "--quiet"],
            cwd=folder, check=False,
        )  # fmt: skip
        used = resource.getrusage(resource.RUSAGE_CHILDREN)
        cpu_s = used.ru_utime + used.ru_stime - before.ru_utime - before.ru_stime
        results = read_results(folder / "results")
        counts = results.run["counts"]
        click.echo(
            f"{files:,} CSV files: exit code {done.returncode}, {counts['swings']:,} swings, "
            f"{counts['assessed']:,} assessed, {counts['problems']:,} problems; {cpu_s:.0f} s of CPU time "
            f"({cpu_s / files * 1000:.2f} ms a file), {results.run['seconds']:.0f} s, "
            f"peak {used.ru_maxrss / 1024:.0f} MB a process"
        )


def _write(folder: Path, files: int) -> None:
    """A file a swing: copies of some, with other ids in each row."""
    swings = full_swings()
    copies = []
    for row in range(len(swings)):
        own = SwingBatch(
            swings.table.iloc[[row]].reset_index(drop=True).assign(player="?", session="?", swing="?"),
            swings.t_s[[row]],
            swings.angles_deg[[row]],
            swings.n_samples[[row]],
        )
        write_season(own, folder.parent / "one.csv")
        copies.append((folder.parent / "one.csv").read_bytes())
    for number in range(files):
        player, swing = divmod(number, SWINGS_PER_PLAYER)
        ids = f'"p{player:06d}","2031-04-{swing // 20 + 1:02d}","{swing:03d}"'
        path = folder / f"{number // FILES_A_FOLDER:03d}" / f"{number:06d}.csv"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(copies[number % len(copies)].replace(b'"?","?","?"', ids.encode()))


if __name__ == "__main__":
    command()
