"""Which detector a golfer's timing belongs to."""

from __future__ import annotations

import hashlib

import numpy as np

from faultml.classifier.assess import Assessor
from faultml.motion.landmark_model import LandmarkModel


def detector_of(assessor: Assessor) -> str:
    """`detector_digest` of what finds the landmarks; "" for a detector of one's own, which has no timing."""
    return "" if "detector" in assessor.own_steps else detector_digest(assessor.bundle.detector)


def detector_digest(model: LandmarkModel) -> str:
    """SHA-256 of a detector's arrays: the same for any bundle with the same detector."""
    found = hashlib.sha256(np.ascontiguousarray(model.scale).tobytes())
    for network in model.networks:
        arrays = (network.input_mean, network.input_scale, network.target_mean, network.target_scale)
        for array in (*arrays, *(part for layer in network.weights for part in layer)):
            found.update(str(array.shape).encode())
            found.update(np.ascontiguousarray(array).tobytes())
    return found.hexdigest()
