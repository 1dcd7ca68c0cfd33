"""A swing gives the same bits alone, among others, in any order and in a batch of any size."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, is_dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from faultml.classifier.assess import Assessment, Assessor
from faultml.classifier.bundle import Bundle
from faultml.classifier.tables import faults_frame, swings_frame
from faultml.recordings.swings import SwingBatch
from faultml.runtime.dense import DenseNetwork
from faultml.synthetic.season import SyntheticSeason

Rows = NDArray[np.int64]


def some(batch: SwingBatch, rows: Rows) -> SwingBatch:
    table = batch.table.iloc[rows].reset_index(drop=True)
    return SwingBatch(table, batch.t_s[rows], batch.angles_deg[rows], batch.n_samples[rows])


def tables(assessor: Assessor, assessment: Assessment) -> tuple[pd.DataFrame, pd.DataFrame]:
    return swings_frame(assessment), faults_frame(assessor, assessment)


def split(count: int, size: int) -> list[Rows]:
    return [np.arange(first, min(first + size, count)) for first in range(0, count, size)]


@pytest.mark.parametrize("size", [1, 3, 64, 1000])
def test_tables_do_not_depend_on_the_batch(
    assessor: Assessor, generated: SyntheticSeason, assessed: Assessment, size: int
) -> None:
    whole = tables(assessor, assessed)
    rows = np.arange(70 if size == 1 else len(generated.batch))
    parts = [
        tables(assessor, assessor.assess(some(generated.batch, part))) for part in split(len(rows), size)
    ]
    faults_a_swing = len(assessor.catalogue.ids)
    for which, count in ((0, len(rows)), (1, len(rows) * faults_a_swing)):
        together = pd.concat([part[which] for part in parts], ignore_index=True)
        pd.testing.assert_frame_equal(together, whole[which].iloc[:count], check_exact=True)


def test_tables_do_not_depend_on_the_order(
    assessor: Assessor, generated: SyntheticSeason, assessed: Assessment
) -> None:
    order = np.random.default_rng(8).permutation(len(generated.batch))
    swings, _ = tables(assessor, assessor.assess(some(generated.batch, order)))
    expected = swings_frame(assessed).iloc[order].reset_index(drop=True)
    pd.testing.assert_frame_equal(swings, expected, check_exact=True)


def test_a_network_gives_the_same_bits_in_any_place(bundle: Bundle) -> None:
    network = bundle.classifier.measures.correct
    rows = np.random.default_rng(3).normal(0, 3, (150, network.n_inputs))
    whole = network.predict(rows)
    order = np.random.default_rng(4).permutation(150)
    np.testing.assert_array_equal(network.predict(rows[order]), whole[order])
    for size in (1, 2, 3, 5, 64):
        parts = [network.predict(rows[part]) for part in split(150, size)]
        np.testing.assert_array_equal(np.concatenate(parts), whole)


def test_a_network_is_a_product_of_matrices() -> None:
    """Against numpy in double precision, at sizes that are no multiple of the kernel's blocks."""
    random = np.random.default_rng(1)
    sizes = (37, 19, 5, 3)
    weights = tuple(
        tuple(
            part
            for before, after in pairwise(sizes)
            for part in (random.normal(0, 0.3, (before, after)), random.normal(0, 0.3, after))
        )
        for _ in range(2)
    )
    mean, scale = random.normal(size=37), random.uniform(0.5, 2, 37)
    network = DenseNetwork(mean, scale, weights, np.array([1.0, 2.0, 3.0]), np.array([0.5, 1.0, 4.0]))
    rows = random.normal(0, 6, (11, 37))
    outputs = []
    for each in weights:
        value = np.clip((rows - mean) / scale, -6, 6)
        for at in range(0, len(each), 2):
            value = value @ each[at] + each[at + 1]
            value = np.maximum(value, 0) if at + 2 < len(each) else value
        outputs.append(value)
    expected = np.mean(outputs, axis=0) * network.target_scale + network.target_mean
    np.testing.assert_allclose(network.predict(rows), expected, rtol=1e-4, atol=1e-4)


def _arrays(record: Any, name: str = "") -> dict[str, NDArray]:
    if isinstance(record, np.ndarray):
        return {name: record}
    if is_dataclass(record):
        parts = ((each.name, getattr(record, each.name)) for each in fields(record))
    elif isinstance(record, tuple):
        parts = ((str(at), each) for at, each in enumerate(record))
    else:
        return {}
    return {key: value for part, each in parts for key, value in _arrays(each, f"{name}.{part}").items()}


@pytest.mark.parametrize(
    "part",
    [lambda bundle: bundle.detector, lambda bundle: bundle.swing_filter, lambda bundle: bundle.classifier],
)
def test_answering_changes_no_array_of_the_model(
    bundle: Bundle, assessor: Assessor, generated: SyntheticSeason, part: Callable[[Bundle], Any]
) -> None:
    before = {name: value.copy() for name, value in _arrays(part(bundle)).items()}
    assessor.assess(some(generated.batch, np.arange(9)))
    after = _arrays(part(bundle))
    assert before.keys() == after.keys() and len(before) > 3
    for name, value in before.items():
        np.testing.assert_array_equal(after[name], value)
