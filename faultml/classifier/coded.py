"""Text that takes few values, as codes and words: tables are made of it without a string for every row."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Coded:
    """Text as codes.

    Attributes
    ----------
    codes
        Any shape: the place of each entry in `words`.
    words
        What the codes stand for.
    """

    codes: NDArray[np.int64]
    words: tuple[str, ...]

    @property
    def texts(self) -> NDArray[np.object_]:
        """The text itself, in the shape of `codes`."""
        return np.array(self.words, dtype=object)[self.codes]
