"""A suite without a season, and a model without its networks: what learning a coach adaptation needs of both."""

from __future__ import annotations

import numpy as np

from faultml.classifier.faults import FaultClassifier
from faultml.faults.catalogue import load_catalogue
from faultml.pipelines.benchmarks.coach_suite import Suite
from faultml.runtime.dense import DenseNetwork
from faultml.runtime.faults import FaultModel, MeasureNetworks, Posterior

CATALOGUE = load_catalogue()
SOFT = CATALOGUE.softness_by_fault


def edge_classifier() -> FaultModel:
    """A calibrated model whose networks say nothing: what an adaptation needs of it."""
    nothing = DenseNetwork(
        np.zeros(1), np.ones(1), ((np.zeros((1, 1)), np.zeros(1)),), np.zeros(1), np.ones(1)
    )
    plain = FaultClassifier.for_catalogue(CATALOGUE)
    return FaultModel(
        measures=MeasureNetworks(nothing, nothing, np.ones(1), 1.0, np.ones(1)),
        familiar=np.zeros(0, dtype=np.int64),
        distance=None,
        edges=plain.edges,
        signs=plain.signs,
        softness=plain.softness,
        guarded=np.array(plain.guarded),
        guard_edges=np.array(plain.guard_edges),
        slope=np.full(len(SOFT), 1.05),
        offset=np.full(len(SOFT), -0.1),
        learned=np.ones(len(SOFT), dtype=bool),
        n_features=1,
    )


def drawn_suite(golfers: int = 130, swings: int = 8, seed: int = 4) -> Suite:
    """Golfers around the edges, each misread in a way of their own as well as swing by swing."""
    random = np.random.default_rng(seed)
    model = edge_classifier()
    n, shape = golfers * swings, (golfers * swings, len(SOFT))
    who = np.repeat(np.arange(golfers), swings)
    past = random.normal(-2, 2.5, (golfers, len(SOFT)))[who] + random.normal(0, 1.0, shape)
    truth = model.edges + model.signs * past * SOFT
    sd = random.uniform(0.3, 0.9, shape) * SOFT
    misread = np.sqrt(0.1) * random.normal(size=(golfers, len(SOFT)))[who]
    misread = misread + np.sqrt(0.9) * random.normal(size=shape)
    guards = random.normal(-6, 6, (n, len(model.guarded)))
    posterior = Posterior(truth + sd * misread, sd, guards, np.full_like(guards, 2.0))
    return Suite(posterior, truth, guards, truth, np.array([f"g{k:03d}" for k in who], dtype=object))
