"""Who is compared: the shipped model, the oracle, the catalogue's edges, and peers in an environment of their own.

A peer is given windows and, for learning, how far each true measure lies past its edge; it answers with that distance
for windows it has not seen. What it answers becomes probabilities by a logistic curve for each fault, fitted to a
coach's labels of golfers whom it did not learn from: one multi-label model, calibrated afterwards.
"""

from __future__ import annotations

import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtr
from sklearn.linear_model import LogisticRegression

from faultml.classifier.faults import FaultClassifier
from faultml.errors import MissingExtraError
from faultml.faults.catalogue import Catalogue
from faultml.motion.landmark_model import LandmarkModel
from faultml.motion.landmarks import LandmarkDetector
from faultml.motion.window import OFFSETS_S, RATE_HZ, Windows
from faultml.pipelines.training.data import Drawn
from faultml.pipelines.training.evaluate import features_of, seen_measures
from faultml.pipelines.training.training_sets import shape_columns
from faultml.runtime.faults import FaultModel, Posterior
from faultml.synthetic.coach import Coach

Array = NDArray[np.float64]

PEERS: Final = {
    "tsfresh": "tsfresh's efficient features, network head",
    "minirocket": "MiniRocket, ridge head",
    "quant": "QUANT, ridge head",
}
SLOW: Final = ("tsfresh",)
"""Peers that get fewer windows to answer for."""

_FROM_S, _TO_S, _EVERY = -2.4, 1.0, 2
_FARTHEST: Final = 8.0
"""In units of an edge's softness: what is farther past or inside counts as this."""
_MIN_ANSWERS: Final = 8


@dataclass(frozen=True)
class Truth:
    """What is true of some swings, as far as their recordings can show it.

    Attributes
    ----------
    measures
        ``(n_swings, n_faults)`` true measures; NaN where not defined or not to be seen.
    chance
        ``(n_swings, n_faults)`` chance that a careful coach says yes: the oracle.
    labels
        ``(n_swings, n_faults)`` one such coach's answers.
    """

    measures: Array
    chance: Array
    labels: Array

    @classmethod
    def of(cls, catalogue: Catalogue, drawn: Drawn, random: np.random.Generator) -> Truth:
        """Truth about a batch."""
        measures = seen_measures(catalogue, drawn)
        chance = Coach.careful(catalogue).chance_of_yes(catalogue, measures, drawn.guards(catalogue))
        chance = np.where(np.isnan(measures), np.nan, chance)
        labels = np.where(np.isnan(chance), np.nan, random.random(chance.shape) < chance)
        return cls(measures, chance, labels)

    def distance(self, catalogue: Catalogue) -> Array:
        """How far each measure lies past its edge, in units of the edge's softness, ``(n_swings, n_faults)``."""
        edges = np.array([fault.edge for fault in catalogue.faults])
        past = catalogue.signs * (self.measures - edges) / catalogue.softness_by_fault
        return np.clip(past, -_FARTHEST, _FARTHEST)


@dataclass(frozen=True)
class Ours:
    """What the classifier says of some swings."""

    chance: Array
    posterior: Posterior
    edges_chance: Array
    """The catalogue's edges applied to the measures read at the detected landmarks."""


def ours(catalogue: Catalogue, detector: LandmarkModel, classifier: FaultModel, drawn: Drawn) -> Ours:
    """The classifier's answers, and those of the bare edges at the same landmarks."""
    features, _ = features_of(catalogue, detector, drawn)
    posterior = classifier.posterior(features.values)
    edges = np.array([fault.edge for fault in catalogue.faults])
    past = catalogue.signs * (np.nan_to_num(features.measures, nan=0.0) - edges)
    past = np.where(np.isnan(features.measures), 0.0, past)
    guarded = [(column, fault.guard) for column, fault in enumerate(catalogue.faults) if fault.guard]
    read = ndtr(past / catalogue.softness_by_fault)
    for reading, (column, guard) in zip(features.guards.T, guarded, strict=True):
        if guard is not None:
            read[:, column] *= reading < guard.below
    return Ours(classifier.probability(posterior, classifier.edges), posterior, np.clip(read, 1e-3, 1 - 1e-3))


def train_ours(
    catalogue: Catalogue, drawn: Drawn, truth: Truth, *, epochs: int, seed: int
) -> tuple[LandmarkModel, FaultModel]:
    """The project's estimators learned from what the peers get and no more: the shipped model has seen far more."""
    learned = LandmarkDetector(epochs=epochs, random_state=seed)
    detector = learned.fit(drawn.windows, drawn.offset_s, drawn.golfers).runtime()
    features, _ = features_of(catalogue, detector, drawn)
    measures = np.where(np.isnan(features.measures), np.nan, truth.measures)
    familiar = shape_columns(features.names)
    classifier = FaultClassifier.for_catalogue(
        catalogue, familiar=familiar, epochs=epochs, random_state=seed
    ).fit(
        features.values,
        np.column_stack([measures, drawn.guards(catalogue)]),
        labels=truth.labels,
        groups=drawn.golfers,
    )
    return detector, classifier.runtime()


def peer_windows(windows: Windows) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """What every peer sees.

    Returns
    -------
    curves
        ``(n, 4, 340)``: the three angles at 100 Hz about the fastest moment, and a bump where contact is marked.
    known
        ``(n, 4)``: whether contact is marked, where, whether the forearm was recorded, and the sampling rate's
        logarithm, for peers that take plain features.
    """
    kept = np.flatnonzero((OFFSETS_S >= _FROM_S - 1e-9) & (OFFSETS_S < _TO_S - 1e-9))[::_EVERY]
    at = OFFSETS_S[kept]
    mark = np.nan_to_num(windows.mark_s, nan=-10.0)
    bump = 50 * np.exp(-0.5 * ((at - mark[:, None]) / 0.02) ** 2)
    curves = np.concatenate([windows.angles_deg[:, :, kept], bump[:, None]], axis=1)
    rate = np.log(np.clip(windows.sample_rate_hz, 20, 1000) / RATE_HZ)
    known = np.column_stack([windows.marked, np.nan_to_num(windows.mark_s), windows.has_pronation, rate])
    return curves.astype(np.float32), known.astype(np.float32)


def hold_out(golfers: NDArray[np.object_], seed: int) -> NDArray[np.bool_]:
    """Which rows belong to the fifth of the golfers that calibrates."""
    names = np.random.default_rng(seed).permutation(np.unique(golfers))
    return np.isin(golfers, names[: max(1, len(names) // 5)])


def ask_peer(python: Path, peer: str, task: dict[str, Any]) -> dict[str, Any]:
    """Have a peer learn and answer in its own environment; data go and come as plain arrays.

    Parameters
    ----------
    task
        Arrays by name, as ``peers.py`` documents them.

    Raises
    ------
    MissingExtraError
        Where the environment is not there or the peer fails in it.
    """
    script = Path(__file__).with_name("peers.py")
    with tempfile.TemporaryDirectory() as folder:
        given, got = Path(folder, "task.npz"), Path(folder, "answer.npz")
        np.savez(given, **task)
        try:
            subprocess.run(
                [str(python), "-I", str(script), peer, str(given), str(got)],
                check=True,
                capture_output=True,
                text=True,
            )
        except (OSError, subprocess.CalledProcessError) as error:
            message = getattr(error, "stderr", None) or str(error)
            raise MissingExtraError(
                "missing-extra", where=str(python), expected="make compare", found=message.strip()[-400:]
            ) from error
        with np.load(got) as answer:
            return {name: answer[name] for name in answer.files}


def calibrated(raw: Array, labels: Array, answers: Array) -> Array:
    """Probabilities of `answers` by a logistic curve for each fault, fitted to `raw` answers with known labels.

    A fault with hardly an answer of one kind is left uncalibrated: a coach's yes rises with the distance past the edge
    like a normal curve.
    """
    chance = np.empty_like(answers)
    for column in range(raw.shape[1]):
        known = np.isfinite(labels[:, column])
        y = labels[known, column]
        if min(y.sum(), len(y) - y.sum()) < _MIN_ANSWERS:
            chance[:, column] = ndtr(answers[:, column])
            continue
        curve = LogisticRegression(C=100.0).fit(raw[known, column][:, None], y)
        slope = max(float(curve.coef_[0, 0]), 0.01)
        chance[:, column] = expit(float(curve.intercept_[0]) + slope * answers[:, column])
    return chance
