"""The comparison: every contender on every suite, golfers held out, over several seeds; a page and a JSON file.

A seed draws the test golfers of every suite and the golfers whom the peers learn from. The shipped model was trained
once, from a seed of its own, on golfers who are in no suite.
"""

from __future__ import annotations

import logging
import time
from collections import defaultdict
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from faultml.classifier.assess import Assessor
from faultml.classifier.bundle import Bundle
from faultml.errors import InputError
from faultml.faults.catalogue import Catalogue
from faultml.pipelines.benchmarks.compare.contenders import (
    PEERS,
    SLOW,
    Truth,
    ask_peer,
    calibrated,
    hold_out,
    ours,
    peer_windows,
    train_ours,
)
from faultml.pipelines.benchmarks.compare.page import comparison_page
from faultml.pipelines.benchmarks.compare.public_series import public_figures
from faultml.pipelines.benchmarks.compare.recorder import through_recorder
from faultml.pipelines.benchmarks.compare.refusals import add, refused
from faultml.pipelines.benchmarks.compare.scores import fault_scores, macro_scores, severity_scores
from faultml.pipelines.benchmarks.compare.suites import SUITES, Suite
from faultml.pipelines.training.data import Drawn, draw, vary
from faultml.pipelines.training.evaluate import features_of
from faultml.pipelines.training.train import Plan
from faultml.runtime.faults import INTERVAL_Z

logger = logging.getLogger(__name__)

Array = NDArray[np.float64]

PAGE_FILE: Final = "COMPARE.md"
DATA_FILE: Final = "compare.json"
_FIRST_SEED: Final = 7001


@dataclass(frozen=True)
class Sizes:
    """How much is drawn.

    Attributes
    ----------
    seeds
        Repetitions.
    test_golfers
        Golfers of each suite and seed, twenty swings each.
    train_golfers
        Golfers whom the peers learn from, twenty swings each.
    slow_swings
        Swings of each suite and seed that the slow peers answer for, spread over its golfers.
    epochs
        Of the project's own networks when learned from the peers' golfers.
    """

    seeds: int = 5
    test_golfers: int = 55
    train_golfers: int = 100
    slow_swings: int = 100
    epochs: int = 16

    @classmethod
    def quick(cls) -> Sizes:
        """Enough to see that everything runs, and for no conclusion."""
        return cls(seeds=1, test_golfers=4, train_golfers=40, slow_swings=10, epochs=3)


@dataclass
class _Answers:
    """What was said of one suite's swings, seed by seed."""

    golfers: int = 0
    labels: list[Array] = field(default_factory=list)
    chances: dict[str, list[Array]] = field(default_factory=lambda: defaultdict(list))
    past: list[Array] = field(default_factory=list)
    mean: list[Array] = field(default_factory=list)
    sd: list[Array] = field(default_factory=list)
    true: list[Array] = field(default_factory=list)
    asked: int = 0


def compare(
    catalogue: Catalogue,
    bundle: Bundle,
    out: Path,
    sizes: Sizes,
    *,
    python: Path | None,
    jobs: int = 1,
    suites: tuple[Suite, ...] = SUITES,
) -> dict[str, Any]:
    """Compare and write ``COMPARE.md`` and ``compare.json``, both or neither; returns what the latter holds.

    Parameters
    ----------
    python
        The interpreter of the peers' environment; None: without peers.
    jobs
        Processes to draw golfers with, and threads of the peers.
    """
    started = time.monotonic()
    _write(out, {})  # a folder that cannot be had is reported before hours of work
    answers = {suite.id: _Answers() for suite in suites}
    clock: dict[str, list[float]] = defaultdict(lambda: [0.0, 0.0])
    assessor = Assessor(bundle, catalogue)
    refusals: dict[str, Any] = {}
    for number in range(sizes.seeds):
        seed = _FIRST_SEED + 100 * number
        refusals = add(refusals, refused(assessor, seed=seed, golfers=sizes.test_golfers))
        _run_seed(catalogue, bundle, sizes, seed, python, jobs, suites, answers, clock)
        logger.info("seed %d of %d done (%.0f s)", number + 1, sizes.seeds, time.monotonic() - started)
    figures = {
        "synthetic": True,
        "model": {
            "name": bundle.manifest.name,
            "version": bundle.manifest.version,
            "sha256": bundle.manifest.sha256,
        },
        "catalogue_sha256": catalogue.digest,
        "sizes": asdict(sizes),
        "peers": python is not None,
        "suites": {suite.id: _suite_figures(catalogue, suite, answers[suite.id], sizes) for suite in suites},
        "refusals": refusals,
        "swings_per_second": {name: round(swings / seconds, 1) for name, (swings, seconds) in clock.items()},
        "threads": jobs,
        "public": public_figures(python, seeds=sizes.seeds, jobs=jobs),
    }
    data = msgspec.json.format(msgspec.json.encode(_rounded(figures)), indent=1) + b"\n"
    _write(out, {DATA_FILE: data, PAGE_FILE: comparison_page(figures).encode()})
    return figures


def _run_seed(
    catalogue: Catalogue,
    bundle: Bundle,
    sizes: Sizes,
    seed: int,
    python: Path | None,
    jobs: int,
    suites: tuple[Suite, ...],
    answers: dict[str, _Answers],
    clock: dict[str, list[float]],
) -> None:
    random = np.random.default_rng(seed)
    train = _draw_train(catalogue, sizes, seed, random, jobs)
    train_truth = Truth.of(catalogue, train, random)
    detector, classifier = train_ours(catalogue, train, train_truth, epochs=sizes.epochs, seed=seed)
    logger.info("learned the project's own from %d windows", len(train))
    tests: list[Drawn] = []
    for place, suite in enumerate(suites):
        drawn = suite.draw(catalogue, seed + 1 + place, sizes.test_golfers, jobs=jobs)
        truth = Truth.of(catalogue, drawn, random)
        begun = time.perf_counter()
        shipped = ours(catalogue, bundle.detector, bundle.classifier, drawn)
        _tick(clock, "ours", len(drawn), time.perf_counter() - begun)
        features, _ = features_of(catalogue, bundle.detector, drawn)
        # What the product would not assess is asked of nobody.
        labels = np.where(np.isnan(features.measures), np.nan, truth.labels)
        true = np.where(np.isnan(labels), np.nan, truth.measures)
        into = answers[suite.id]
        into.golfers += sizes.test_golfers
        into.asked += int(np.isfinite(truth.labels).sum())
        into.labels.append(labels)
        into.true.append(true)
        into.past.append(np.nan_to_num(truth.distance(catalogue), nan=-1.0))
        into.mean.append(shipped.posterior.mean)
        into.sd.append(shipped.posterior.sd)
        into.chances["oracle"].append(truth.chance)
        into.chances["ours"].append(shipped.chance)
        into.chances["ours_small"].append(ours(catalogue, detector, classifier, drawn).chance)
        into.chances["edges"].append(shipped.edges_chance)
        into.chances["recorder"].append(through_recorder(catalogue, drawn, truth.measures, seed=seed))
        tests.append(drawn)
    if python is None:
        return
    counts = [len(drawn) for drawn in tests]
    for peer in PEERS:
        asked = [_few(count, sizes.slow_swings) if peer in SLOW else np.arange(count) for count in counts]
        some = [drawn.rows(rows) for drawn, rows in zip(tests, asked, strict=True)]
        task = _task(catalogue, peer, train, train_truth, some, seed, jobs)
        answer = ask_peer(python, peer, task)
        chance = calibrated(answer["held_out"], train_truth.labels[~task["learn"]], answer["test"])
        ends = np.cumsum([len(rows) for rows in asked])
        for suite, part in zip(suites, np.split(chance, ends[:-1]), strict=True):
            answers[suite.id].chances[peer].append(part)
        _tick(clock, peer, int(ends[-1]), float(answer["predict_s"]))
        logger.info("asked %s (%.0f s)", peer, float(answer["fit_s"]) + float(answer["predict_s"]))


def _few(count: int, wanted: int) -> NDArray[np.int64]:
    """Rows of so many swings, spread evenly over all, and so over the golfers."""
    return np.unique(np.linspace(0, count - 1, min(count, wanted)).round().astype(np.int64))


def _draw_train(
    catalogue: Catalogue, sizes: Sizes, seed: int, random: np.random.Generator, jobs: int
) -> Drawn:
    """Training swings as the shipped model's were drawn, twenty of each golfer of this seed."""
    recipe = Plan().recipe(0, sizes.train_golfers, seed=seed, sessions=2, swings=10, non_swing_share=0.0)
    return vary(draw(catalogue, recipe, jobs=jobs), random)


def _task(
    catalogue: Catalogue, peer: str, train: Drawn, truth: Truth, tests: list[Drawn], seed: int, jobs: int
) -> dict[str, Any]:
    curves, known = peer_windows(train.windows)
    looked = [peer_windows(drawn.windows) for drawn in tests]
    test, test_known = (np.concatenate([each[k] for each in looked]) for k in (0, 1))
    # Plain features of a mark's bump would tell nothing that `known` does not.
    channels = slice(3) if peer in SLOW else slice(None)
    return {
        "train": curves[:, channels],
        "train_known": known,
        "distance": truth.distance(catalogue),
        "learn": ~hold_out(train.golfers, seed),
        "test": test[:, channels],
        "test_known": test_known,
        "seed": seed,
        "jobs": jobs,
    }


def _tick(clock: dict[str, list[float]], name: str, swings: int, seconds: float) -> None:
    clock[name][0] += swings
    clock[name][1] += seconds


def _suite_figures(catalogue: Catalogue, suite: Suite, answers: _Answers, sizes: Sizes) -> dict[str, Any]:
    labels = np.concatenate(answers.labels)
    few = [_few(len(own), sizes.slow_swings) for own in answers.labels]
    few_labels = np.concatenate([own[rows] for own, rows in zip(answers.labels, few, strict=True)])
    full, slow = {}, {}
    for name, parts in answers.chances.items():
        some = [part if name in SLOW else part[rows] for part, rows in zip(parts, few, strict=True)]
        slow[name] = macro_scores(fault_scores(catalogue.ids, few_labels, np.concatenate(some)))
        if name in SLOW:
            continue
        scores = fault_scores(catalogue.ids, labels, np.concatenate(parts))
        by_seed = [
            macro_scores(fault_scores(catalogue.ids, own, part)).get("average_precision", np.nan)
            for own, part in zip(answers.labels, parts, strict=True)
        ]
        full[name] = {
            "macro": macro_scores(scores) | {"average_precision_sd": float(np.nanstd(by_seed))},
            "faults": scores,
        }
    return {
        "words": suite.words,
        "shift": suite.shift,
        "marks": suite.marks,
        "golfers": answers.golfers,
        "swings": len(labels),
        "asked_share": round(float(np.isfinite(labels).sum() / answers.asked), 4),
        "contenders": full,
        "small_subset": {"swings": len(few_labels), "contenders": slow},
        "severity": severity_scores(
            np.concatenate(answers.past),
            np.concatenate(answers.mean),
            np.concatenate(answers.sd),
            np.concatenate(answers.true),
            catalogue.softness_by_fault,
            INTERVAL_Z,
        ),
    }


def _write(out: Path, texts: dict[str, bytes]) -> None:
    """All files or none: each is put beside its place first."""
    try:
        out.mkdir(parents=True, exist_ok=True)
        for name, text in texts.items():
            (out / f".{name}.part").write_bytes(text)
        for name in texts:
            (out / f".{name}.part").replace(out / name)
    except OSError as error:
        raise InputError("not-writable", where=str(out), found=error.strerror or str(error)) from error


def _rounded(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _rounded(each) for name, each in value.items()}
    return round(value, 5) if isinstance(value, float) else value
