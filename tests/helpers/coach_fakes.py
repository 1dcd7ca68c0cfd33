"""A suite without a season, and a model without its networks: what learning a coach's eye needs of both."""

from __future__ import annotations

import numpy as np

from faultml.classifier.faults import FaultClassifier, Posterior
from faultml.faults.catalogue import load_catalogue
from faultml.pipelines.coach_suite import Suite

CATALOGUE = load_catalogue()
SOFT = CATALOGUE.softness_by_fault


def edge_classifier() -> FaultClassifier:
    """A calibrated model without its networks: what an eye needs of it."""
    model = FaultClassifier.for_catalogue(CATALOGUE)
    model.slope_, model.offset_ = np.full(len(SOFT), 1.05), np.full(len(SOFT), -0.1)
    return model


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
