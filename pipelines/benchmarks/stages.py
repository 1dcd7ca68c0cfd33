"""Where the time of a season goes: microseconds of one core a swing, stage by stage, in one run.

``python -m faultml.pipelines.benchmarks.stages`` prints the table. Times are those of the processor, not of the clock,
and the best of several rounds: figures of another machine, or of a busy one, compare only within their own run.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

import click
import numpy as np

from faultml.classifier.assess import Assessor
from faultml.classifier.bundle import load_bundle
from faultml.classifier.closure_doubt import closure_sd
from faultml.classifier.tables import faults_frame, swings_frame
from faultml.coaching.rules import load_coaching
from faultml.faults.catalogue import load_catalogue
from faultml.faults.onset import all_onset_phases
from faultml.features.table import compute_features
from faultml.motion.closure import closure_budget
from faultml.motion.coach_landmarks import place
from faultml.motion.curves import Curves
from faultml.motion.looks import look_near, look_whole
from faultml.motion.window import make_windows
from faultml.pipelines.benchmarks.benchmark import full_swings, write_long_season
from faultml.quality.notice import notice_motion
from faultml.recordings.checks import check_swings
from faultml.recordings.corrections import landmark_sds, landmark_times
from faultml.recordings.parquet import ParquetSeason
from faultml.results import ResultsWriter
from faultml.season import assess_batch


class Stages:
    """Processor time of named stages, the best round of each."""

    def __init__(self) -> None:
        self._rounds: list[dict[str, float]] = []

    def begin(self) -> None:
        """Another round."""
        self._rounds.append({})

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Time what stands within."""
        started = time.process_time()
        yield
        spent = self._rounds[-1]
        spent[name] = spent.get(name, 0.0) + time.process_time() - started

    def microseconds(self, swings: int) -> dict[str, float]:
        """By stage, a swing."""
        names = self._rounds[0]
        return {name: min(spent[name] for spent in self._rounds) / swings * 1e6 for name in names}


def measure_stages(swings: int, rounds: int = 3) -> dict[str, float]:
    """Microseconds a swing of every stage, from a Parquet file to written tables; the last is their sum."""
    assessor = Assessor(load_bundle(), load_catalogue())
    with TemporaryDirectory() as folder:
        season = write_long_season(full_swings(), Path(folder, "season"), swings)
        for number in range(rounds + 1):
            if number <= 1:  # in the first round kernels may be compiled: it does not count
                stages = Stages()
            stages.begin()
            _once(assessor, season / "season.parquet", Path(folder, "results"), stages)
    found = stages.microseconds(swings)
    return found | {
        "whole batch": found["decode"] + found["check"] + found["assess and tables"] + found["write"]
    }


def _once(assessor: Assessor, file: Path, out: Path, stages: Stages) -> None:
    catalogue, bundle = assessor.catalogue, assessor.bundle
    coaching = load_coaching(catalogue)
    with ResultsWriter(out) as results:
        reading = ParquetSeason(file).read(lambda _: None)
        while True:
            with stages.stage("decode"):
                raw = next(reading, None)
            if raw is None:
                break
            with stages.stage("check"):
                batch = check_swings(raw).batch
            with stages.stage("  even clock"):
                windows = make_windows(batch)
            with stages.stage("  landmarks"):
                landmarks = bundle.detector.predict(windows)
            with stages.stage("    of which readings"):
                look_whole(windows)
                for _ in bundle.detector.networks[1:]:
                    look_near(windows, landmarks.offset_s)
            with stages.stage("  curves"):
                curves = Curves.read(windows, landmarks)
            with stages.stage("  features"):
                features = compute_features(catalogue, windows, landmarks, curves)
            with stages.stage("  swing filter"):
                full = bundle.swing_filter.predict(features.values)
            with stages.stage("  findings of motion"):
                placed = place(windows, landmarks, landmark_times(batch), landmark_sds(batch))
                notice_motion(batch, placed, curves, np.asarray(full))
            with stages.stage("  posterior"):
                posterior = bundle.classifier.posterior(features.values)
            with stages.stage("  closure and its SD"):
                budget = closure_budget(curves.d_deg, curves.address_deg)
                closure_sd(windows, landmarks, curves, budget)
            edges = np.broadcast_to(bundle.classifier.edges, posterior.mean.shape)
            with stages.stage("  onsets"):
                all_onset_phases(catalogue.faults, curves.d_deg, posterior.mean, edges)
            assessment = assessor.assess(batch)
            with stages.stage("  table of swings"):
                swings_frame(assessment)
            with stages.stage("  table of faults"):
                faults_frame(assessor, assessment, coded=True)
            with stages.stage("assess and tables"):
                tables = assess_batch(assessor, coaching, batch)
            with stages.stage("write"):
                results.append("swings", tables.swings)
                results.append("faults", tables.faults)


@click.command()
@click.option(
    "--swings", type=click.IntRange(100), default=4000, show_default=True, help="Swings of the season."
)
def main(swings: int) -> None:
    """Print what each stage costs, in microseconds of one core a swing."""
    for name, cost in measure_stages(swings).items():
        click.echo(f"{name:<24}{cost:8.1f}")


if __name__ == "__main__":
    main()
