"""Which swings stand more than once in a season, wherever they stand.

A first pass gathers a hash of each swing's ids, 8 bytes a swing, and sorts them; beyond `IN_MEMORY` they are sorted on
disk, a range of hashes at a time. Equal hashes are then confirmed on the ids themselves.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final, Self

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from faultml.channels import ID_COLUMNS

IN_MEMORY: Final = 20_000_000
"""So many hashes are sorted in memory, 160 MB."""

AT_ONCE: Final = 1_000_000
"""So many repeated hashes are confirmed together."""

_RANGES: Final = 256

Hashes = NDArray[np.uint64]


def id_hashes(table: pa.Table) -> Hashes:
    """``(n_swings,)`` 64-bit hashes of the ids of a table; a null counts as empty."""
    ids = pd.DataFrame(
        {name: table[name].fill_null("").to_numpy(zero_copy_only=False) for name in ID_COLUMNS}
    )
    return pd.util.hash_pandas_object(ids, index=False).to_numpy()


class Repeats:
    """Ids that stand more than once.

    Attributes
    ----------
    hashes
        Sorted hashes that several swings have.
    alike
        Ids with such a hash that stand only once: different ids of equal hash. In a million swings this happens 3 times
        in 10^8.
    """

    def __init__(self, hashes: Hashes, alike: frozenset[tuple[str, ...]] = frozenset()) -> None:
        self.hashes = hashes
        self.alike = alike

    def mask(self, table: pa.Table) -> NDArray[np.bool_] | None:
        """``(n_swings,)`` which swings of a table are repeated; None where none of the season is."""
        if not len(self.hashes):
            return None
        found = np.isin(id_hashes(table), self.hashes)
        if self.alike:
            found[[at for at in np.flatnonzero(found).tolist() if _ids(table, at) in self.alike]] = False
        return found


class RepeatFinder:
    """Gathers hashes and finds those that stand more than once.

    Parameters
    ----------
    in_memory
        Beyond so many hashes they are kept on disk, until the block ends.
    """

    def __init__(self, in_memory: int = IN_MEMORY) -> None:
        self._in_memory = in_memory
        self._held: list[Hashes] = []
        self._n_held = 0
        self._folder: Path | None = None
        self._stack = ExitStack()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    def add(self, hashes: Hashes) -> None:
        """Take in the hashes of some swings."""
        self._held.append(hashes)
        self._n_held += len(hashes)
        if self._n_held > self._in_memory:
            self._put_on_disk()

    def repeated(self) -> Hashes:
        """Sorted hashes that were added more than once."""
        if self._folder is None:
            return _twice(np.concatenate([np.empty(0, np.uint64), *self._held]))
        self._put_on_disk()
        return np.concatenate([_twice(np.fromfile(path, np.uint64)) for path in self._files()])

    def _put_on_disk(self) -> None:
        if self._folder is None:
            self._folder = Path(self._stack.enter_context(TemporaryDirectory(prefix="faultml-ids-")))
        hashes = np.sort(np.concatenate([np.empty(0, np.uint64), *self._held]))
        bounds = np.searchsorted(hashes >> np.uint64(56), np.arange(_RANGES + 1, dtype=np.uint64))
        for path, start, stop in zip(self._files(), bounds[:-1], bounds[1:], strict=True):
            with path.open("ab") as file:
                hashes[start:stop].tofile(file)
        self._held, self._n_held = [], 0

    def _files(self) -> list[Path]:
        assert self._folder is not None
        return [self._folder / f"{number:03d}" for number in range(_RANGES)]


def confirm(hashes: Hashes, tables: Callable[[], Iterable[pa.Table]], at_once: int = AT_ONCE) -> Repeats:
    """Tell repeated ids from different ids of equal hash, by reading the ids anew.

    Parameters
    ----------
    hashes
        Of `RepeatFinder.repeated`.
    tables
        Gives the ids of the whole season; called once for every `at_once` hashes.
    """
    kept: list[int] = []
    alike: set[tuple[str, ...]] = set()
    for start in range(0, len(hashes), at_once):
        counts: Counter[tuple[tuple[str, ...], int]] = Counter(
            _candidates(hashes[start : start + at_once], tables())
        )
        repeated = {value for (_, value), count in counts.items() if count > 1}
        kept += sorted(repeated)
        alike |= {ids for (ids, value), count in counts.items() if count == 1 and value in repeated}
    return Repeats(np.array(kept, dtype=np.uint64), frozenset(alike))


def _candidates(hashes: Hashes, tables: Iterable[pa.Table]) -> Iterator[tuple[tuple[str, ...], int]]:
    for table in tables:
        found = id_hashes(table)
        for at in np.flatnonzero(np.isin(found, hashes)):
            yield _ids(table, int(at)), int(found[at])


def _ids(table: pa.Table, at: int) -> tuple[str, ...]:
    return tuple(table[name][at].as_py() or "" for name in ID_COLUMNS)


def _twice(hashes: Hashes) -> Hashes:
    values, counts = np.unique(hashes, return_counts=True)
    return values[counts > 1]
