"""The swing filter's trees as flat arrays: bit-equal to scikit-learn's own."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import expit

from faultml.classifier.swing_filter import SwingFilter


@pytest.mark.parametrize("count", [1, 7, 8, 9, 250])
def test_the_kernel_is_bit_equal_to_scikit_learn(count: int) -> None:
    random = np.random.default_rng(count)
    rows = random.normal(0, 2, (600, 12))
    swing_filter = SwingFilter(rounds=40).fit(rows, rows[:, 0] + rows[:, 3] * rows[:, 5] > 0)
    # Values on the thresholds themselves too.
    nodes = np.concatenate([predictor.nodes for (predictor,) in swing_filter.trees_._predictors])
    asked = random.normal(0, 2, (count, 12))
    inner = nodes[nodes["is_leaf"] == 0]
    asked[:, inner["feature_idx"][0]] = inner["num_threshold"][0]
    model = swing_filter.runtime()
    np.testing.assert_array_equal(model.predict_proba(asked), swing_filter.trees_.predict_proba(asked))
    np.testing.assert_array_equal(
        expit(model.trees.sums(asked)), swing_filter.trees_.predict_proba(asked)[:, 1]
    )
    np.testing.assert_array_equal(model.predict(asked), swing_filter.predict(asked))
