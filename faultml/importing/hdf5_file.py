"""HDF5 files as laboratories export them: one group of columns, or one table. Nothing in them is run or followed."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa

from faultml.errors import InputError, MissingExtraError
from faultml.importing.layout import FileLayout
from faultml.importing.readers import Block
from faultml.recordings.files import unpack_limit_bytes
from faultml.recordings.problems import shorten

BLOCK_ROWS: Final = 65_536
MAX_OBJECTS: Final = 5000
INSTALL_LINE: Final = "pip install 'faultml[lab]'"


class Hdf5Reader:
    """Reader ``hdf5``: the columns of one group (`FileLayout.sheet` names it) or table, one row a sample."""

    def read(self, path: Path, layout: FileLayout) -> Iterator[Block]:
        """The table of a file, see `faultml.importing.readers.Reader.read`.

        Raises
        ------
        InputError
            ``no-such-sheet``, ``unpacks-too-far``, ``no-rows``.
        MissingExtraError
            Where the library h5py is not installed.
        """
        with _open(path) as file:
            tables = tables_of(file)
            columns = tables.get(layout.sheet) if layout.sheet else next(iter(tables.values()), None)
            if columns is None or (not layout.sheet and len(tables) > 1):
                raise InputError(
                    "no-such-sheet",
                    expected="file.sheet in the layout",
                    found=shorten(", ".join(tables)) or "no table",
                )
            n_rows = len(next(iter(columns.values())))
            limit = unpack_limit_bytes(path.stat().st_size)
            n_bytes = sum(part.n_bytes for part in columns.values())
            if n_bytes > limit:
                raise InputError("unpacks-too-far", expected=f"at most {limit:,} bytes", found=f"{n_bytes:,}")
            if not n_rows:
                raise InputError("no-rows", expected="rows", found="columns without rows")
            above = tuple(_attributes(file, layout.sheet))
            for start in range(0, n_rows, BLOCK_ROWS):
                stop = min(n_rows, start + BLOCK_ROWS)
                arrays = [_array(part.values(start, stop)) for part in columns.values()]
                table = pa.Table.from_arrays(arrays, names=list(columns))
                yield Block(table, np.arange(start + 1, stop + 1), above=above)


def tables_in(path: Path) -> dict[str, int]:
    """The tables of a file by their path in it, each with how many values it holds."""
    with _open(path) as file:
        return {name: sum(map(len, columns.values())) for name, columns in tables_of(file).items()}


class Column:
    """One column of a table: a dataset, a field of a compound one, or a column of a two-dimensional one."""

    def __init__(self, dataset: Any, field: str = "", place: int | None = None) -> None:
        self._dataset, self._field, self._place = dataset, field, place
        # MATLAB writes a column as a matrix of one row.
        self._lying = place is None and len(dataset.shape) == 2 and dataset.shape[0] == 1

    def __len__(self) -> int:
        return int(self._dataset.shape[1 if self._lying else 0])

    @property
    def n_bytes(self) -> int:
        """Unpacked size of the whole dataset."""
        return int(self._dataset.size) * int(self._dataset.dtype.itemsize)

    def values(self, start: int, stop: int) -> np.ndarray:
        """Rows `start` to `stop`, not included."""
        if self._lying:
            return self._dataset[0, start:stop]
        rows = self._dataset[start:stop]
        if self._field:
            return rows[self._field]
        return rows[:, self._place] if self._place is not None else rows.reshape(len(rows))


def tables_of(file: Any) -> dict[str, dict[str, Column]]:
    """Groups with columns of one length, and tables, by their path in the file; links to other files are left out."""
    import h5py

    found: dict[str, dict[str, Column]] = {}
    waiting, seen = [("", file)], 0
    while waiting:
        path, group = waiting.pop()
        columns: dict[str, Column] = {}
        for name in group:
            seen += 1
            if seen > MAX_OBJECTS:
                raise InputError("unpacks-too-far", expected=f"at most {MAX_OBJECTS:,} objects", found="more")
            if not isinstance(group.get(name, getlink=True), h5py.HardLink):
                continue  # a link inside would read twice, one outside reads another file
            part, place = group[name], f"{path}/{name}"
            if isinstance(part, h5py.Group):
                waiting.append((place, part))
            elif isinstance(part, h5py.Dataset) and not part.is_virtual and not part.external:
                if part.dtype.names:
                    found[place] = {
                        field: Column(part, field)
                        for field in part.dtype.names
                        if not part.dtype[field].shape
                    }
                elif part.dtype.kind in "iufSO" and (
                    len(part.shape) == 1 or (len(part.shape) == 2 and 1 in part.shape)
                ):
                    columns[name] = Column(part)
        longest = max((len(column) for column in columns.values()), default=0)
        own = {name: column for name, column in columns.items() if len(column) == longest}
        names = _pandas_names(group, columns)
        if names:
            found[path or "/"] = names
        elif len(own) > 1:
            found[path or "/"] = own
    return dict(sorted(found.items()))


def _pandas_names(group: Any, columns: dict[str, Column]) -> dict[str, Column]:
    """The columns of a frame as pandas stores it, blocks of one type each."""
    found: dict[str, Column] = {}
    for name in group:
        if name.endswith("_items") and f"{name.removesuffix('_items')}_values" in group:
            values = group[f"{name.removesuffix('_items')}_values"]
            if (
                len(values.shape) == 2
                and values.dtype.kind in "iuf"
                and not values.is_virtual
                and not values.external
            ):
                for place, item in enumerate(group[name][: values.shape[1]]):
                    found[_text(item)] = Column(values, place=place)
    return found


def _open(path: Path) -> Any:
    try:
        import h5py
    except ImportError as error:
        raise MissingExtraError(
            "missing-extra", expected=INSTALL_LINE, found="no h5py, which reads HDF5 files"
        ) from error
    return h5py.File(path, "r", locking=False)


def _attributes(file: Any, sheet: str) -> Iterator[str]:
    """What the file and the group say of themselves."""
    for part in (file, file[sheet]) if sheet else (file,):
        for key in part.attrs:
            value = part.attrs[key]
            if isinstance(value, str | bytes | int | float | np.integer | np.floating):
                yield f"{key}: {shorten(_text(value))}"


def _text(value: Any) -> str:
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)


def _array(values: np.ndarray) -> pa.Array:
    if values.dtype.kind in "SO":
        return pa.array([_text(value) for value in values], pa.string())
    return pa.array(values.astype(values.dtype.newbyteorder("=")))
