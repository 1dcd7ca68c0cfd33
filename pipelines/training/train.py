"""Train the default bundle from a seed: landmarks on some golfers, then the swing filter and the faults on others."""

from __future__ import annotations

import hashlib
import logging
import time
from dataclasses import asdict, dataclass, replace
from importlib import resources
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Final

import numpy as np

from faultml.classifier.bundle import Manifest, save_bundle
from faultml.classifier.faults import FaultClassifier
from faultml.classifier.swing_filter import SwingFilter
from faultml.classifier.tensors import Model
from faultml.errors import MissingExtraError
from faultml.faults.catalogue import Catalogue
from faultml.motion.landmark_model import LandmarkModel
from faultml.motion.landmarks import LandmarkDetector
from faultml.pipelines.training.card import write_card
from faultml.pipelines.training.data import Drawn, draw, rescale, vary
from faultml.pipelines.training.evaluate import evaluate, features_of, seen_measures, with_marks
from faultml.pipelines.training.fixed_part import fixed_part
from faultml.pipelines.training.promise import learn_promises
from faultml.pipelines.training.reference import write_reference
from faultml.pipelines.training.relevance import group_losses, relevant_features
from faultml.pipelines.training.risk_coverage import risk_coverage
from faultml.pipelines.training.training_sets import TrainingSet, draw_training_sets, shape_columns
from faultml.runtime.faults import FaultModel
from faultml.synthetic.coach import Coach
from faultml.synthetic.recipe import Recipe

logger = logging.getLogger(__name__)

NAME: Final = "default"
LITTLE_HINGE_WEIGHT: Final = 8.0
HALF_SPEED_WEIGHT: Final = 5.0
SLOW_STARTS: Final = 0.20
"""Golfers in training who start down slowly; more than among everyday ones, as real captures hold such swings."""
RESCALED: Final = 0.20
"""Golfers in training whose recorders get sizes wrong, for landmarks and swing filter."""
_CODE: Final = (
    "network.py",
    "kernels.py",
    "runtime",
    "channels.py",
    "faults",
    "motion",
    "features",
    "classifier",
    "synthetic",
)
_BESIDE: Final = {
    "motion": {"align.py", "closure.py", "rotations.py", "turn.py"},
    "classifier": {
        "assess.py",
        "bundle.py",
        "convert.py",
        "closure_doubt.py",
        "coach_adaptation.py",
        "mounting.py",
        "promise.py",
        "tables.py",
        "tensors.py",
    },
    "synthetic": {"figures.py", "published.toml", "range_session.py"},
}
"""What runs beside a model and has no part in its making."""


@dataclass(frozen=True)
class Plan:
    """How much is drawn and learned.

    Attributes
    ----------
    seed
        Everything follows from it.
    landmark_golfers, fault_golfers, test_golfers, promise_golfers
        Golfers from whom landmarks are learned, faults are learned, the figures are taken and promises are shown; all
        different.
    landmark_epochs, fault_epochs, averaged
        Of the networks.
    """

    seed: int = 20
    landmark_golfers: int = 22_000
    fault_golfers: int = 30_000
    test_golfers: int = 300
    promise_golfers: int = 18_000
    landmark_epochs: int = 16
    fault_epochs: int = 24
    averaged: int = 2

    def scaled(self, by: float) -> Plan:
        """The same plan with so many times the golfers, at least 40 of each kind."""
        counts = {
            name: max(40, round(by * getattr(self, name)))
            for name in ("landmark_golfers", "fault_golfers", "test_golfers", "promise_golfers")
        }
        return replace(self, **counts)

    def recipe(self, part: int, golfers: int, **changes: Any) -> Recipe:
        """The recipe of one part of the data: more varied golfers and recorders than everyday ones."""
        varied = Recipe(
            golfers=golfers,
            sessions=2,
            swings=3,
            seed=self.seed * 10 + part,
            clean_share=0.12,
            style_scale=1.4,
            mounting_scale=1.0,
            noise_scale=1.2,
            non_swing_share=0.20,
            shuffle_faults=True,
        )
        return replace(varied, **changes)


def train(catalogue: Catalogue, plan: Plan, folder: Path, *, jobs: int = 1) -> Manifest:
    """Train and write a bundle: model file, manifest and card.

    Raises
    ------
    MissingExtraError
        Without tsfresh, which finds the features that each fault uses.
    """
    if find_spec("tsfresh") is None:
        raise MissingExtraError("missing-extra", where="tsfresh", expected="pip install 'faultml[train]'")
    started = time.monotonic()
    random = np.random.default_rng(plan.seed)

    drawn = draw(
        catalogue,
        plan.recipe(1, plan.landmark_golfers, non_swing_share=0.0, slow_start_share=SLOW_STARTS),
        jobs=jobs,
    )
    logger.info("drew %d recordings for the landmarks (%.0f s)", len(drawn), time.monotonic() - started)
    varied = rescale(vary(drawn, random), random, share=RESCALED)
    learned = LandmarkDetector(
        epochs=plan.landmark_epochs, averaged=plan.averaged, n_jobs=jobs, random_state=plan.seed
    ).fit(varied.windows, varied.offset_s, varied.golfers)
    detector = learned.runtime()
    logger.info("learned landmarks (%.0f s)", time.monotonic() - started)
    del drawn, varied

    recipe = plan.recipe(2, plan.fault_golfers, other_activity_share=0.08, slow_start_share=SLOW_STARTS)
    parts = draw_training_sets(catalogue, detector, recipe, random, jobs=jobs)
    training_set, usual, features = next(parts)
    shown, _ = features_of(catalogue, detector, rescale(usual, random, share=RESCALED))
    emphasis = _swing_filter_weights(catalogue, usual)
    swing_filter = (
        SwingFilter(random_state=plan.seed)
        .fit(shown.values, usual.full, groups=usual.golfers, emphasis=emphasis)
        .runtime()
    )
    logger.info(
        "drew %d recordings and learned the swing filter (%.0f s)", len(usual), time.monotonic() - started
    )
    seen = usual.golfers, usual.full
    del usual, shown
    training_set = TrainingSet.all_of([training_set, *(more for more, _, _ in parts)])
    estimator = FaultClassifier.for_catalogue(
        catalogue,
        familiar=shape_columns(features.names),
        epochs=plan.fault_epochs,
        averaged=plan.averaged,
        n_jobs=jobs,
        random_state=plan.seed,
    ).fit(training_set.features, training_set.truth, labels=training_set.labels, groups=training_set.golfers)
    classifier = estimator.runtime()
    logger.info(
        "learned faults from %d swings (%.0f s)", len(training_set.features), time.monotonic() - started
    )
    del training_set

    test = draw(
        catalogue,
        plan.recipe(3, plan.test_golfers, swings=10, shuffle_faults=False, style_scale=1.0, noise_scale=1.0),
        jobs=jobs,
    )
    figures = {
        name: evaluate(catalogue, detector, swing_filter, classifier, with_marks(test, marked))
        for name, marked in (("contact_marked", True), ("contact_not_marked", False))
    }
    evidence = _evidence(catalogue, detector, classifier, test, random)
    evidence["risk_coverage"] = risk_coverage(catalogue, detector, swing_filter, classifier, jobs=jobs)
    evidence["fixed_part"] = fixed_part(catalogue, detector, swing_filter, classifier)
    promises = learn_promises(
        catalogue, detector, swing_filter, classifier, seed=plan.seed, golfers=plan.promise_golfers, jobs=jobs
    )
    logger.info("evaluated on %d recordings (%.0f s)", len(test), time.monotonic() - started)
    manifest = save_bundle(
        folder,
        Model(detector, swing_filter, classifier),
        {
            "name": NAME,
            "version": f"1.{plan.seed}",
            "features": features.names,
            "faults": catalogue.ids,
            "catalogue_sha256": catalogue.digest,
            "code_sha256": code_digest(),
            "seed": plan.seed,
            "recipe": asdict(plan),
            "figures": figures,
            "evidence": evidence,
            "promises": promises,
        },
    )
    write_card(folder, manifest)
    write_reference(folder, features, *seen)
    return manifest


def _evidence(
    catalogue: Catalogue,
    detector: LandmarkModel,
    classifier: FaultModel,
    test: Drawn,
    random: np.random.Generator,
) -> dict[str, Any]:
    """Which features each fault uses, on golfers not learned from; half of the recorders mark contact."""
    drawn = vary(test.rows(test.full), random)
    features, _ = features_of(catalogue, detector, drawn)
    measures = np.where(np.isnan(features.measures), np.nan, seen_measures(catalogue, drawn))
    labels = Coach.careful(catalogue).label(catalogue, measures, drawn.guards(catalogue), random)
    fresh = relevant_features(features.names, features.values, labels, catalogue.ids)
    for fault, found in fresh.items():
        surest = ", ".join(found["surest"][:3])
        logger.info("FRESH: %s, %d of %d features; %s", fault, found["relevant"], found["tested"], surest)
    return {
        "fresh": fresh,
        "group_losses": group_losses(
            classifier, features.names, features.values, labels, catalogue.ids, random
        ),
    }


def _swing_filter_weights(catalogue: Catalogue, drawn: Drawn) -> np.ndarray:
    """What is hard to tell counts more: full swings with little hinge from short shots, half speed from full."""
    hinge_deg = drawn.measures(catalogue)[:, catalogue.ids.index("underset")]
    half_speed = (drawn.truth["kind"] == "half_speed").to_numpy()
    return np.where(
        hinge_deg > catalogue["underset"].edge,
        LITTLE_HINGE_WEIGHT,
        np.where(half_speed, HALF_SPEED_WEIGHT, 1.0),
    )


def code_digest() -> str:
    """SHA-256 over the sources that a bundle depends on."""
    package = Path(str(resources.files("faultml")))
    generator = Path(str(resources.files("faultml.synthetic")))
    digest = hashlib.sha256()
    for name in _CODE:
        root = generator if name == "synthetic" else package / name
        files = [root] if root.is_file() else sorted([*root.rglob("*.py"), *root.rglob("*.toml")])
        for file in files:
            if file.name in _BESIDE.get(name, ()):
                continue
            digest.update(file.name.encode() + b"\0" + file.read_bytes() + b"\0")
    return digest.hexdigest()
