"""A small neural regression that is fitted by scikit-learn and kept as plain arrays."""

from __future__ import annotations

import warnings
from contextlib import AbstractContextManager
from functools import cache
from typing import Final, Literal, Self
from weakref import WeakKeyDictionary

import numpy as np
from joblib import Parallel, delayed
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator, RegressorMixin
from sklearn.exceptions import ConvergenceWarning
from sklearn.neural_network import MLPRegressor
from sklearn.preprocessing import StandardScaler
from sklearn.utils import Tags
from sklearn.utils.validation import check_is_fitted, validate_data
from threadpoolctl import ThreadpoolController

Array = NDArray[np.float64]

FARTHEST: Final = 6.0
"""Inputs are held within so many standard deviations: a stray value cannot carry a result away."""

BLOCK: Final = 32
"""Rows per matrix product, always (zeros fill the last): a row's result cannot depend on its batch."""


def one_thread(library: Literal["blas", "openmp"] | None = None) -> AbstractContextManager[object]:
    """Keep a library's calls to the calling thread, or those of both.

    What we ask of them is small: threads inside cost more than they give, and on busy cores, where they wait for each
    other, hundreds of times as much.
    """
    return _libraries().limit(limits=1, user_api=library)


@cache
def _libraries() -> ThreadpoolController:
    return ThreadpoolController()


class Network(RegressorMixin, BaseEstimator):
    """Multi-output regression by a rectifier network on standardised inputs and targets.

    Training is `sklearn.neural_network.MLPRegressor`; what is kept are the weights, so that a stored model holds
    nothing but arrays.

    Parameters
    ----------
    hidden
        Units of each hidden layer.
    epochs
        Passes over the training data at most.
    learning_rate, alpha, batch_size
        As in `MLPRegressor`.
    averaged
        How many networks from different seeds are averaged.
    n_jobs
        Networks trained at once.
    random_state
        Seed of the first network.
    """

    def __init__(
        self,
        hidden: tuple[int, ...] = (128, 64),
        *,
        epochs: int = 40,
        learning_rate: float = 1e-3,
        alpha: float = 1e-4,
        batch_size: int = 200,
        averaged: int = 1,
        n_jobs: int | None = None,
        random_state: int = 0,
    ) -> None:
        self.hidden = hidden
        self.epochs = epochs
        self.learning_rate = learning_rate
        self.alpha = alpha
        self.batch_size = batch_size
        self.averaged = averaged
        self.n_jobs = n_jobs
        self.random_state = random_state

    def __sklearn_tags__(self) -> Tags:
        tags = super().__sklearn_tags__()
        tags.target_tags.multi_output = True
        return tags

    def fit(self, X: ArrayLike, y: ArrayLike) -> Self:
        """Fit on ``(n_rows, n_inputs)`` and ``(n_rows,)`` or ``(n_rows, n_outputs)``."""
        rows: Array
        wanted: Array
        rows, wanted = validate_data(self, X, y, multi_output=True, y_numeric=True, dtype=np.float64)
        self.flat_ = wanted.ndim == 1
        wanted = wanted.reshape(len(wanted), -1)
        inputs, targets = StandardScaler().fit(rows), StandardScaler().fit(wanted)
        # Single precision halves the time of training and costs nothing that shows.
        scaled = np.clip(inputs.transform(rows), -FARTHEST, FARTHEST).astype(np.float32)
        scaled_targets = targets.transform(wanted).astype(np.float32)
        self.input_mean_, self.input_scale_ = inputs.mean_, inputs.scale_
        self.target_mean_, self.target_scale_ = targets.mean_, targets.scale_
        seeds = range(self.random_state, self.random_state + self.averaged)
        _DOUBLE.pop(self, None)
        self.weights_ = Parallel(n_jobs=self.n_jobs)(
            delayed(self._fit_one)(scaled, scaled_targets, seed) for seed in seeds
        )
        return self

    def _fit_one(self, X: Array, y: Array, seed: int) -> list[Array]:
        """Train in two runs, the second slower to settle; returns weights and biases in turn."""
        model = MLPRegressor(
            hidden_layer_sizes=self.hidden,
            alpha=self.alpha,
            batch_size=min(self.batch_size, len(X)),
            random_state=seed,
            tol=0.0,
            n_iter_no_change=self.epochs + 1,
            warm_start=True,
        )
        target = y if y.shape[1] > 1 else y[:, 0]
        with one_thread(), warnings.catch_warnings():
            # The number of epochs is ours; reaching it is no surprise.
            warnings.simplefilter("ignore", ConvergenceWarning)
            for rate, share in ((1.0, 0.7), (0.1, 0.3)):
                model.set_params(
                    learning_rate_init=rate * self.learning_rate, max_iter=max(1, round(share * self.epochs))
                )
                model.fit(X, target)
        layers = zip(model.coefs_, model.intercepts_, strict=True)
        # Half precision is finer than what the weights are known to, and keeps a bundle small.
        return [part.astype(np.float16) for layer in layers for part in layer]

    def predict(self, X: ArrayLike) -> Array:
        """``(n_rows,)`` or ``(n_rows, n_outputs)``, as the targets were."""
        check_is_fitted(self)
        X = validate_data(self, X, reset=False, dtype=np.float64)
        scaled = np.clip((X - self.input_mean_) / self.input_scale_, -FARTHEST, FARTHEST)
        blocks = -(-len(scaled) // BLOCK)
        padded = np.zeros((blocks * BLOCK, scaled.shape[1]))
        padded[: len(scaled)] = scaled
        networks = self._double()
        with one_thread("blas"):
            parts = [_forward(networks, padded[k * BLOCK : (k + 1) * BLOCK]) for k in range(blocks)]
        result = np.concatenate(parts)
        result = result[: len(scaled)] * self.target_scale_ + self.target_mean_
        return result[:, 0] if self.flat_ else result

    def _double(self) -> list[list[Array]]:
        """The weights in double precision, made once: with it a row gives the same to the last bit in any place."""
        if self not in _DOUBLE:
            _DOUBLE[self] = [[part.astype(np.float64) for part in weights] for weights in self.weights_]
        return _DOUBLE[self]


_DOUBLE: Final[WeakKeyDictionary[Network, list[list[Array]]]] = WeakKeyDictionary()
"""Beside the estimators and not in them: it must neither be stored nor change what predicts."""


def _forward(networks: list[list[Array]], block: Array) -> Array:
    total = np.zeros((len(block), len(networks[0][-1])))
    for weights in networks:
        value = block
        for k in range(0, len(weights), 2):
            value = value @ weights[k]
            value += weights[k + 1]
            if k + 2 < len(weights):
                np.maximum(value, 0, out=value)
        total += value
    return total / len(networks)
