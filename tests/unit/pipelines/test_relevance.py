"""Features by evidence: FRESH finds what carries the label, and taking it away costs."""

from __future__ import annotations

import numpy as np
import pytest

from faultml.pipelines.training.relevance import group_losses, groups_of, relevance_section, relevant_features

pytest.importorskip("tsfresh")

NAMES = ("measure:a", "measure:b", "window:noise", "window:flat")


def drawn(count: int = 800) -> tuple[np.ndarray, np.ndarray]:
    random = np.random.default_rng(0)
    values = random.normal(0, 1, (count, 4))
    values[:, 3] = 1.0
    labels = (values[:, :2] + random.normal(0, 0.3, (count, 2)) > 0).astype(float)
    labels[::10, 0] = np.nan
    return values, labels


class OneColumnEach:
    """Answers fault k from column k."""

    def predict_proba(self, X: np.ndarray) -> np.ndarray:
        return 1 / (1 + np.exp(-5 * X[:, :2]))


def test_groups_keep_their_order_and_every_column() -> None:
    groups = groups_of(NAMES)
    assert list(groups) == ["measure", "window"]
    assert groups["measure"].tolist() == [0, 1] and groups["window"].tolist() == [2, 3]


def test_what_carries_the_label_is_relevant_and_noise_is_not() -> None:
    values, labels = drawn()
    found = relevant_features(NAMES, values, labels, ("one", "two"))
    assert found["one"]["surest"] == ["measure:a"] and found["two"]["surest"] == ["measure:b"]
    assert found["one"]["by_group"] == {"measure": 1} and found["one"]["tested"] == 4


def test_a_fault_without_answers_of_both_kinds_is_left_out() -> None:
    values, labels = drawn()
    labels[:, 1] = 0
    assert set(relevant_features(NAMES, values, labels, ("one", "two"))) == {"one"}


def test_a_fault_loses_by_its_own_group_alone_and_the_card_says_so() -> None:
    values, labels = drawn()
    random = np.random.default_rng(1)
    losses = group_losses(OneColumnEach(), NAMES, values, labels, ("one", "two"), random)  # type: ignore[arg-type]
    assert losses["measure"]["one"]["average_precision"] > 0.2 and losses["measure"]["one"]["log_loss"] > 0.2
    assert losses["window"]["one"] == {"average_precision": 0.0, "log_loss": 0.0}
    fresh = relevant_features(NAMES, values, labels, ("one", "two"))
    section = relevance_section({"fresh": fresh, "group_losses": losses})
    assert "| one | 1 of 4 | `measure:a` |" in section and "synthetic" in section
