"""Rectifier networks as plain arrays, multiplied by a kernel of our own in single precision.

A matrix product of a BLAS may add up in another order for another number of rows, so that a swing's result would depend
on its batch. The kernel here adds up every row's inputs in the order in which they stand, with the outputs side by side
in the processor's lanes: a row gives the same bits in any batch, place and order.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.kernels import kernel

Single = NDArray[np.float32]

INPUT_LIMIT: Final = 6.0
"""Inputs are held within so many standard deviations: a stray value cannot carry a result away."""

ROWS: Final = 4
"""Rows that the kernel takes at once; zeros fill up the last ones."""
LANES: Final = 16
"""Outputs are padded to a multiple of this, and inputs to a multiple of `ROWS`."""


@dataclass(frozen=True)
class Layer:
    """One layer, padded with zeros: weights ``(n_inputs, n_outputs)`` and biases ``(n_outputs,)``, float32."""

    weights: Single
    bias: Single


@dataclass(frozen=True)
class DenseNetwork:
    """Networks of one shape whose outputs are averaged, on standardised inputs and targets.

    Attributes
    ----------
    input_mean, input_scale
        ``(n_inputs,)`` float64.
    weights
        Of each network: weights ``(n_inputs, n_outputs)`` and biases ``(n_outputs,)`` of its layers in turn.
    target_mean, target_scale
        ``(n_outputs,)`` float64.
    """

    input_mean: NDArray[np.float64]
    input_scale: NDArray[np.float64]
    weights: tuple[tuple[NDArray[np.floating], ...], ...]
    target_mean: NDArray[np.float64]
    target_scale: NDArray[np.float64]

    def __post_init__(self) -> None:
        object.__setattr__(self, "_layers", tuple(_layers(each) for each in self.weights))

    @property
    def n_inputs(self) -> int:
        """Numbers that a row holds."""
        return len(self.input_mean)

    def predict(self, rows: NDArray[np.floating]) -> NDArray[np.float64]:
        """``(n_rows, n_outputs)`` from ``(n_rows, n_inputs)``; a row's result does not depend on the others."""
        inputs = standardised(np.ascontiguousarray(rows), self.input_mean, self.input_scale)
        networks: tuple[tuple[Layer, ...], ...] = self._layers  # type: ignore[attr-defined]
        total = np.zeros((len(inputs), len(networks[0][-1].bias)), dtype=np.float32)
        for layers in networks:
            value = inputs
            for at, layer in enumerate(layers):
                out = np.empty((len(inputs), len(layer.bias)), dtype=np.float32)
                multiply(value, layer.weights, layer.bias, at + 1 < len(layers), out)
                value = out
            total += value
        mean = total[: len(rows), : len(self.target_mean)].astype(np.float64) / len(networks)
        result: NDArray[np.float64] = mean * self.target_scale + self.target_mean
        return result


def standardised(
    rows: NDArray[np.floating],
    mean: NDArray[np.float64],
    scale: NDArray[np.float64],
    limit: float = INPUT_LIMIT,
) -> Single:
    """Rows in standard deviations within a limit, padded with zeros to whole blocks, float32."""
    out = np.zeros((up_to(len(rows), ROWS), up_to(rows.shape[1], LANES)), dtype=np.float32)
    _standardise(rows, mean, 1.0 / scale, limit, out)
    return out


def up_to(count: int, block: int) -> int:
    """The multiple of `block` that holds `count`."""
    return -(-count // block) * block


def _layers(weights: tuple[NDArray[np.floating], ...]) -> tuple[Layer, ...]:
    layers = []
    for matrix, bias in zip(weights[::2], weights[1::2], strict=True):
        n_inputs, n_outputs = (up_to(size, LANES) for size in matrix.shape)
        padded, padded_bias = np.zeros((n_inputs, n_outputs), np.float32), np.zeros(n_outputs, np.float32)
        padded[: matrix.shape[0], : matrix.shape[1]] = matrix
        padded_bias[: len(bias)] = bias
        layers.append(Layer(padded, padded_bias))
    return tuple(layers)


@kernel
def _standardise(rows, mean, by, limit, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for row in range(rows.shape[0]):
        for k in range(rows.shape[1]):
            out[row, k] = min(max((rows[row, k] - mean[k]) * by[k], -limit), limit)


@kernel
def multiply(inputs, weights, bias, rectify, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """One layer; four rows and four inputs at once keep the weights in registers while they are used."""
    n_outputs = weights.shape[1]
    for row in range(0, inputs.shape[0], 4):
        out0, out1, out2, out3 = out[row], out[row + 1], out[row + 2], out[row + 3]
        in0, in1, in2, in3 = inputs[row], inputs[row + 1], inputs[row + 2], inputs[row + 3]
        for j in range(n_outputs):
            out0[j] = out1[j] = out2[j] = out3[j] = bias[j]
        for i in range(0, weights.shape[0], 4):
            w0, w1, w2, w3 = weights[i], weights[i + 1], weights[i + 2], weights[i + 3]
            a0, a1, a2, a3 = in0[i], in0[i + 1], in0[i + 2], in0[i + 3]
            b0, b1, b2, b3 = in1[i], in1[i + 1], in1[i + 2], in1[i + 3]
            c0, c1, c2, c3 = in2[i], in2[i + 1], in2[i + 2], in2[i + 3]
            d0, d1, d2, d3 = in3[i], in3[i + 1], in3[i + 2], in3[i + 3]
            for j in range(n_outputs):
                u0, u1, u2, u3 = w0[j], w1[j], w2[j], w3[j]
                out0[j] = out0[j] + u0 * a0 + u1 * a1 + u2 * a2 + u3 * a3
                out1[j] = out1[j] + u0 * b0 + u1 * b1 + u2 * b2 + u3 * b3
                out2[j] = out2[j] + u0 * c0 + u1 * c1 + u2 * c2 + u3 * c3
                out3[j] = out3[j] + u0 * d0 + u1 * d1 + u2 * d2 + u3 * d3
        if rectify:
            for j in range(n_outputs):
                out0[j] = max(out0[j], np.float32(0.0))
                out1[j] = max(out1[j], np.float32(0.0))
                out2[j] = max(out2[j], np.float32(0.0))
                out3[j] = max(out3[j], np.float32(0.0))
