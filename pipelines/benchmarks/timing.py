"""What a golfer's timing from three marked swings brings on later sessions, beside no marks and all marked.

``python -m faultml.pipelines.benchmarks.timing`` prints the table of docs/contact.md. Synthetic: golfers of the
generator, and golfers whose release is another model's. The marks are a coach's or a recorder's, 2 ms off.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

import click
import numpy as np
from numpy.typing import NDArray

from faultml.classifier.bundle import Bundle, load_bundle
from faultml.faults.catalogue import Catalogue, load_catalogue
from faultml.features.table import compute_features
from faultml.labels.timing import MarkedSwing, golfer_timings, keep_marked
from faultml.motion.coach_landmarks import place, with_timing
from faultml.motion.curves import Curves
from faultml.motion.landmark_model import IMPACT, Landmarks
from faultml.motion.window import MARK_SD_S, Windows
from faultml.pipelines.benchmarks.compare.suites import SUITES
from faultml.pipelines.training.data import Drawn
from faultml.recordings.corrections import MIN_MARKED
from faultml.runtime.faults import INTERVAL_Z
from faultml.season.timing import MAX_OFF_S
from faultml.store import open_store
from faultml.synthetic.coach import Coach

Array = NDArray[np.float64]

DRAWN: Final = ("unmarked", "other_release", "other_styles")
IMPACT_FAULTS: Final = ("flip", "overflexed_impact", "raised_wrist_impact", "held_hinge", "roll_over")


@dataclass(frozen=True)
class Figures:
    """Of later sessions: impact's median error, coverage of its 90 % interval, log loss of the impact faults."""

    median_ms: float
    covered: float
    loss: float


def measure(
    bundle: Bundle, catalogue: Catalogue, drawn: Drawn, random: np.random.Generator
) -> dict[str, Figures]:
    """Later sessions without marks, with the golfer's timing, and marked; and the least loss that can be had."""
    windows = replace(drawn.windows, mark_s=np.full(len(drawn), np.nan))
    free = bundle.detector.predict(windows)
    contact_s = drawn.offset_s[:, IMPACT]
    sessions = drawn.truth["session"].to_numpy(object)
    first = np.array([sessions[drawn.golfers == golfer].min() for golfer in drawn.golfers], dtype=object)
    later = sessions != first
    timing_s, timing_sd_s = _timings(drawn, free, ~later, random)
    nowhere = np.full((len(drawn), 3), np.nan)
    moved = with_timing(place(windows, free, nowhere, nowhere), timing_s, timing_sd_s)
    marked = replace(drawn.windows, mark_s=contact_s + random.normal(0, 0.001, len(drawn)))
    oracle = Coach.careful(catalogue).chance_of_yes(
        catalogue, drawn.measures(catalogue), drawn.guards(catalogue)
    )

    def figures(of: Windows, landmarks: Landmarks) -> Figures:
        off_s = np.abs(landmarks.offset_s[:, IMPACT] - contact_s)[later]
        inside = off_s <= INTERVAL_Z * landmarks.sd_s[later, IMPACT]
        chance = _chance(bundle, catalogue, of, landmarks)
        return Figures(
            float(np.median(off_s) * 1000),
            float(inside.mean()),
            _loss(catalogue, oracle[later], chance[later]),
        )

    return {
        "not marked": figures(windows, free),
        f"timing from {MIN_MARKED}": figures(moved.windows, moved.landmarks),
        "marked": figures(marked, bundle.detector.predict(marked)),
        "the truth's own": Figures(0.0, 1.0, _loss(catalogue, oracle[later], oracle[later])),
    }


def _timings(
    drawn: Drawn, free: Landmarks, early: NDArray[np.bool_], random: np.random.Generator
) -> tuple[Array, Array]:
    """The timing of each swing's golfer from `MIN_MARKED` swings of the first session, and the SD with it."""
    off_s = drawn.offset_s[:, IMPACT] + random.normal(0, MARK_SD_S, len(drawn)) - free.offset_s[:, IMPACT]
    rows = []
    for golfer in np.unique(drawn.golfers):
        own = np.flatnonzero((drawn.golfers == golfer) & early & (np.abs(off_s) <= MAX_OFF_S))[:MIN_MARKED]
        rows += [
            MarkedSwing(str(golfer), "first", str(at), "", "", "", float(off_s[at]), MARK_SD_S, "coach")
            for at in own
        ]
    with TemporaryDirectory() as folder, open_store(Path(folder) / "store.sqlite") as store:
        keep_marked(store, {(each.player, each.session) for each in rows}, rows)
        known = {each.player: each for each in golfer_timings(store)}
    pairs = [
        (known[golfer].offset_s, known[golfer].sd_s) if golfer in known else (np.nan, np.nan)
        for golfer in map(str, drawn.golfers)
    ]
    timing = np.array(pairs)
    return timing[:, 0], timing[:, 1]


def _chance(bundle: Bundle, catalogue: Catalogue, windows: Windows, landmarks: Landmarks) -> Array:
    features = compute_features(catalogue, windows, landmarks, Curves.read(windows, landmarks))
    edges = np.broadcast_to(bundle.classifier.edges, features.measures.shape)
    posterior = bundle.classifier.posterior(features.values)
    chance = bundle.classifier.predict_proba(features.values, edges, posterior)
    return np.where(np.isnan(features.measures), np.nan, chance)


def _loss(catalogue: Catalogue, oracle: Array, chance: Array) -> float:
    """Mean log loss of the impact faults against the chance that a careful coach says yes."""
    columns = [catalogue.ids.index(fault) for fault in IMPACT_FAULTS]
    y, p = oracle[:, columns], np.clip(chance[:, columns], 1e-6, 1 - 1e-6)
    return float(np.nanmean(-(y * np.log(p) + (1 - y) * np.log(1 - p))))


@click.command()
@click.option("--golfers", default=120, show_default=True)
@click.option("--seed", default=4242, show_default=True)
def command(golfers: int, seed: int) -> None:
    """Draw golfers with two sessions of ten swings, and print what their timing brings on the second."""
    bundle, catalogue = load_bundle(), load_catalogue()
    for suite in (each for each in SUITES if each.id in DRAWN):
        drawn = suite.draw(catalogue, seed, golfers, jobs=1)
        drawn = drawn.rows(drawn.full)
        for name, own in measure(bundle, catalogue, drawn, np.random.default_rng(seed)).items():
            click.echo(
                f"{suite.id}, {name}: impact's median error {own.median_ms:.1f} ms, 90 % covers {own.covered:.2f}, "
                f"impact faults' log loss {own.loss:.4f}"
            )


if __name__ == "__main__":
    command()
