"""Boosted trees as flat arrays, walked by one kernel."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.kernels import kernel
from faultml.runtime.dense import up_to

_ROWS: Final = 8
"""Rows that walk a tree side by side, so that none waits for its own last step."""


@dataclass(frozen=True)
class Trees:
    """Trees whose leaves are added to a start; rows must be finite.

    Attributes
    ----------
    start
        The sum before any tree.
    roots, depth
        ``(n_trees,)`` index of each tree's first node, and the steps from there to its deepest leaf.
    feature
        ``(n_nodes,)`` column that a node asks for; of no meaning at a leaf.
    threshold
        ``(n_nodes,)`` up to this value a row goes left.
    children
        ``(n_nodes, 2)`` indices of the left and the right child, both after their parent; a leaf has itself.
    value
        ``(n_nodes,)`` what a leaf adds.
    """

    start: float
    roots: NDArray[np.uint32]
    depth: NDArray[np.uint32]
    feature: NDArray[np.uint32]
    threshold: NDArray[np.float64]
    children: NDArray[np.uint32]
    value: NDArray[np.float64]

    def sums(self, rows: NDArray[np.float64]) -> NDArray[np.float64]:
        """``(n_rows,)`` start and leaves added up in the order of the trees, from ``(n_rows, n_features)``."""
        padded = np.zeros((up_to(len(rows), _ROWS), rows.shape[1]))
        padded[: len(rows)] = rows
        out = np.full(len(padded), self.start)
        children = self.children.reshape(-1)
        _add(padded, self.roots, self.depth, self.feature, self.threshold, children, self.value, out)
        return out[: len(rows)]


@kernel
def _step(row, at, feature, threshold, children):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """The child that a row goes to; a leaf leads to itself. Without a branch, which could only be guessed."""
    return children[2 * at + np.uint32(row[feature[at]] > threshold[at])]


@kernel
def _add(rows, roots, depth, feature, threshold, children, value, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for row in range(0, rows.shape[0], 8):
        r0, r1, r2, r3 = rows[row], rows[row + 1], rows[row + 2], rows[row + 3]
        r4, r5, r6, r7 = rows[row + 4], rows[row + 5], rows[row + 6], rows[row + 7]
        for tree in range(len(roots)):
            at0 = at1 = at2 = at3 = at4 = at5 = at6 = at7 = roots[tree]
            for _ in range(depth[tree]):
                at0 = _step(r0, at0, feature, threshold, children)
                at1 = _step(r1, at1, feature, threshold, children)
                at2 = _step(r2, at2, feature, threshold, children)
                at3 = _step(r3, at3, feature, threshold, children)
                at4 = _step(r4, at4, feature, threshold, children)
                at5 = _step(r5, at5, feature, threshold, children)
                at6 = _step(r6, at6, feature, threshold, children)
                at7 = _step(r7, at7, feature, threshold, children)
            out[row] += value[at0]
            out[row + 1] += value[at1]
            out[row + 2] += value[at2]
            out[row + 3] += value[at3]
            out[row + 4] += value[at4]
            out[row + 5] += value[at5]
            out[row + 6] += value[at6]
            out[row + 7] += value[at7]
