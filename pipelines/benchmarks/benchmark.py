"""How fast: each figure measured in one run on one machine, peers on the same swings, so that ratios can be compared.

The library is run as its users run it, in processes of its own, so that start-up and peak memory count.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from faultml import __version__
from faultml.assessing import assess_swings
from faultml.channels import CHANNELS
from faultml.classifier.bundle import default_bundle_path, read_manifest
from faultml.errors import MissingExtraError
from faultml.faults.catalogue import load_catalogue
from faultml.motion.window import make_windows
from faultml.pipelines.benchmarks.compare.contenders import ask_peer, peer_windows
from faultml.recordings.swings import SwingBatch
from faultml.recordings.write import write_season
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import draw_season

RATE_HZ: Final = 180.0
"""At this rate a recording of the generator has 400 to 500 samples."""
SWINGS_PER_PLAYER: Final = 400
_REPEATED: Final = 400
_MEASURED: Final = """
import os, resource, sys
from faultml.cli import main
try:
    main(sys.argv[1:])
finally:
    used = resource.getrusage(resource.RUSAGE_SELF)
    with open(os.environ["USED_FILE"], "w") as note:
        print(used.ru_maxrss, used.ru_utime + used.ru_stime, file=note)
"""
_LATENCY_CALLS: Final = 60
_WARM_CALLS: Final = 5


@dataclass(frozen=True)
class Load:
    """How much is measured.

    Attributes
    ----------
    swings, long_swings
        Swings of the season whose pace is taken, and of the one whose memory is held against it (0: none).
    quant_swings, tsfresh_swings
        Swings the peers answer for: as many as take them some seconds.
    jobs
        Processes of ours, threads of the peers.
    """

    swings: int = 20_000
    long_swings: int = 200_000
    quant_swings: int = 2_000
    tsfresh_swings: int = 40
    jobs: int = 2


def benchmark(load: Load, peers: Path | None = None) -> dict[str, Any]:
    """Measure everything; a peer that cannot be had is None.

    Parameters
    ----------
    peers
        Interpreter of the peers' environment, which ``make compare`` builds.
    """
    with TemporaryDirectory() as name:
        folder = Path(name)
        swings = full_swings()
        small = write_long_season(swings, folder / "small", 60)
        _run("classify", str(small), "--out", str(folder / "warm"))
        manifest = read_manifest(default_bundle_path())
        figures: dict[str, Any] = {
            "faultml": __version__,
            "model": {"name": manifest.name, "version": manifest.version, "sha256": manifest.sha256},
            "threads": load.jobs,
            "cores": os.cpu_count(),
            "load_before": round(os.getloadavg()[0], 2),
            "samples": float(np.median(swings.n_samples)),
            "help_s": min(_run("--help").seconds for _ in range(3)),
            "small_classify_s": min(
                _run("classify", str(small), "--out", str(folder / "few")).seconds for _ in range(2)
            ),
            "one_swing_ms": _one_swing_ms(swings),
        }
        whole = _season(folder / "season", swings, load.swings, load.jobs)
        figures["season"] = whole
        figures |= _peer_paces(swings, load, peers)
        longest = whole
        if load.long_swings:
            figures["long_season"] = longest = _season(folder / "long", swings, load.long_swings, load.jobs)
            figures["times_memory"] = longest["peak_mb"] / whole["peak_mb"]
        for peer in ("quant", "tsfresh"):
            pace = figures[f"{peer}_per_s"]
            figures[f"times_{peer}"] = longest["swings_per_s"] / pace if pace else None
    return figures


def _season(folder: Path, swings: SwingBatch, count: int, jobs: int) -> dict[str, float]:
    """One season from Parquet to tables and report, start-up included."""
    season = write_long_season(swings, folder / "season", count)
    ran = _run("classify", str(season), "--out", str(folder / "results"), "--on", f"local:{jobs}")
    return {
        "swings": count,
        "seconds": ran.seconds,
        "cpu_s": ran.cpu_s,
        "swings_per_s": count / ran.seconds,
        "swings_per_cpu_s": count / ran.cpu_s,
        "peak_mb": ran.peak_mb,
    }


def full_swings() -> SwingBatch:
    """Full swings of generated golfers."""
    recipe = Recipe(
        golfers=_REPEATED // 10, sessions=2, swings=5, seed=404, non_swing_share=0.0, rate_hz=RATE_HZ
    )
    return draw_season(load_catalogue(), recipe).batch


def write_long_season(swings: SwingBatch, folder: Path, count: int) -> Path:
    """A season of `count` swings: the given ones again and again under names of new players."""

    def again(first: int) -> SwingBatch:
        which = np.arange(first, min(first + len(swings), count))
        table = swings.table.iloc[which % len(swings)].reset_index(drop=True)
        player, number = np.divmod(which, SWINGS_PER_PLAYER)
        session = number // 20
        return SwingBatch(
            table.assign(
                player=[f"p{k:06d}" for k in player],
                session=[f"2031-04-{k + 1:02d}" for k in session],
                swing=[f"{k:03d}" for k in number],
            ),
            swings.t_s[which % len(swings)],
            swings.angles_deg[which % len(swings)],
            swings.n_samples[which % len(swings)],
        )

    write_season((again(first) for first in range(0, count, len(swings))), folder / "season.parquet")
    return folder


@dataclass(frozen=True)
class _Ran:
    seconds: float
    cpu_s: float
    peak_mb: float


def _run(*arguments: str) -> _Ran:
    """One command in a process of its own; what is used is that of this child alone."""
    with TemporaryDirectory() as folder:
        note = Path(folder, "used")
        started = time.perf_counter()
        done = subprocess.run(
            [sys.executable, "-c", _MEASURED, *arguments],
            env=os.environ | {"USED_FILE": str(note)},
            capture_output=True,
            text=True,
        )
        seconds = time.perf_counter() - started
        if done.returncode not in (0, 3):
            raise RuntimeError(f"faultml {' '.join(arguments)} failed: {done.stderr[-400:]}")
        peak_kb, cpu_s = note.read_text().split()
        return _Ran(seconds, float(cpu_s), int(peak_kb) / 1024)


def _one_swing_ms(swings: SwingBatch) -> float:
    """Median time of one swing through the Python API, once warm: from its samples to both tables."""
    times = []
    for row in range(_LATENCY_CALLS + _WARM_CALLS):
        n = int(swings.n_samples[row])
        samples = dict(zip(CHANNELS, swings.angles_deg[row, :, :n], strict=True))
        one = {"t_s": swings.t_s[row, :n], **samples}
        started = time.perf_counter()
        assess_swings([one])
        times.append(time.perf_counter() - started)
    return float(np.median(times[_WARM_CALLS:]) * 1000)


def _peer_paces(swings: SwingBatch, load: Load, peers: Path | None) -> dict[str, float | None]:
    """Swings a second that peers answer for, of windows as long as the recordings."""
    curves, _ = peer_windows(make_windows(swings))
    curves = _stretched(curves[:, :3], int(np.median(swings.n_samples)))
    paces: dict[str, float | None] = {}
    for peer, count in (("quant", load.quant_swings), ("tsfresh", load.tsfresh_swings)):
        if peers is None:
            paces[f"{peer}_per_s"] = None
            continue
        rows = np.arange(count) % len(curves)
        learned = np.arange(40)
        distance = np.random.default_rng(0).normal(size=(len(learned), 17))
        task = {
            "train": curves[learned],
            "distance": distance,
            "learn": np.ones(len(learned), dtype=bool),
            "test": curves[rows],
            "seed": 0,
            "jobs": load.jobs,
        }
        try:
            answer = ask_peer(peers, peer, task)
        except MissingExtraError:
            paces[f"{peer}_per_s"] = None
        else:
            paces[f"{peer}_per_s"] = count / float(answer["predict_s"])
    return paces


def _stretched(curves: NDArray[np.float32], count: int) -> NDArray[np.float32]:
    """Curves read at `count` even places."""
    at = np.linspace(0, curves.shape[2] - 1, count)
    low = np.minimum(at.astype(int), curves.shape[2] - 2)
    share = (at - low).astype(np.float32)
    return curves[:, :, low] * (1 - share) + curves[:, :, low + 1] * share


def quick(load: Load) -> Load:
    """A tenth of it, and no long season: to see that it runs."""
    return replace(load, swings=load.swings // 10, long_swings=0, quant_swings=200, tsfresh_swings=8)
