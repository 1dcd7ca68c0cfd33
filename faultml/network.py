"""A small neural regression that is fitted by scikit-learn and kept as plain arrays."""

from __future__ import annotations

import warnings
from contextlib import AbstractContextManager
from functools import cache
from typing import Literal, Self

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

from faultml.runtime.dense import INPUT_LIMIT, DenseNetwork

Array = NDArray[np.float64]


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
        scaled = np.clip(inputs.transform(rows), -INPUT_LIMIT, INPUT_LIMIT).astype(np.float32)
        scaled_targets = targets.transform(wanted).astype(np.float32)
        self.input_mean_, self.input_scale_ = inputs.mean_, inputs.scale_
        self.target_mean_, self.target_scale_ = targets.mean_, targets.scale_
        seeds = range(self.random_state, self.random_state + self.averaged)
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
        rows: Array = validate_data(self, X, reset=False, dtype=np.float64)
        result = self.runtime().predict(rows)
        return result[:, 0] if self.flat_ else result

    def runtime(self) -> DenseNetwork:
        """The arrays that answer."""
        check_is_fitted(self)
        weights = tuple(tuple(parts) for parts in self.weights_)
        return DenseNetwork(
            self.input_mean_, self.input_scale_, weights, self.target_mean_, self.target_scale_
        )
