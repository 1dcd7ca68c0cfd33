"""Result tables as Parquet or CSV, written batch by batch and read back the same.

Columns have one of six kinds; a table's kinds are its schema. In CSV, the parts of a list are joined by a
bar between spaces (a bar or backslash inside a part gets a backslash in front), and text that a spreadsheet
would run as a formula is escaped by an apostrophe in front, which reading takes off again.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv
import pyarrow.parquet as pq

from faultml.errors import InputError

Kind = Literal["text", "number", "whole", "flag", "words", "numbers"]
Schema = Mapping[str, Kind]
TableFormat = Literal["parquet", "csv"]

_TYPES: Final[dict[Kind, pa.DataType]] = {
    "text": pa.string(),
    "number": pa.float64(),
    "whole": pa.int64(),
    "flag": pa.bool_(),
    "words": pa.list_(pa.string()),
    "numbers": pa.list_(pa.float64()),
}
PART_PREFIX: Final = "part-"
"""How the files of a table that is a folder begin."""

_SEPARATOR: Final = " | "
_RUNS_IN_A_SPREADSHEET: Final = r"^('*[=+\-@\t\r\n])"
ESCAPED: Final = r"^'('*[=+\-@\t\r\n])"


class TableWriter:
    """Appends frames to one table file.

    Parameters
    ----------
    path
        The file, ``.parquet`` or ``.csv``.
    schema
        Columns in order, each with its kind.
    """

    def __init__(self, path: Path, schema: Schema) -> None:
        self.path = path
        self.schema = dict(schema)
        self.n_rows = 0
        arrow = pa.schema([(name, _TYPES[kind]) for name, kind in schema.items()])
        self._csv = path.suffix == ".csv"
        self._writer: Any
        if self._csv:
            lists = [at for at, kind in enumerate(schema.values()) if kind in ("words", "numbers")]
            for at in lists:
                arrow = arrow.set(at, pa.field(arrow.names[at], pa.string()))
            self._writer = pacsv.CSVWriter(
                path, arrow, write_options=pacsv.WriteOptions(quoting_style="needed")
            )
        else:
            words = [name for name, kind in schema.items() if kind in ("text", "words", "flag")]
            # Text goes in as dictionaries, which are written as they are. The file does not tell: it reads as text.
            for at, kind in enumerate(schema.values()):
                if kind == "text":
                    arrow = arrow.set(at, pa.field(arrow.names[at], pa.dictionary(pa.int32(), pa.string())))
            self._writer = pq.ParquetWriter(
                path, arrow, compression="zstd", use_dictionary=words, store_schema=False
            )
        self._arrow = arrow

    def append(self, frame: pd.DataFrame) -> None:
        """Add the rows of a frame.

        Raises
        ------
        InputError
            ``missing-column`` or ``unknown-column`` where the frame's columns are not the schema's,
            ``wrong-type`` where a column holds something else.
        """
        missing = [name for name in self.schema if name not in frame.columns]
        unknown = [str(name) for name in frame.columns if name not in self.schema]
        if missing or unknown:
            code, names = ("missing-column", missing) if missing else ("unknown-column", unknown)
            raise InputError(
                code, where=self.path.name, expected=", ".join(self.schema), found=", ".join(names)
            )
        columns = []
        for name, kind in self.schema.items():
            try:
                column = _to_arrow(frame[name], kind)
            except (pa.ArrowException, TypeError, ValueError) as error:
                where = f"{self.path.name}, column {name}"
                raise InputError("wrong-type", where=where, expected=kind, found=str(error)) from error
            if self._csv:
                column = _csv_cells(_plain(column), kind)
            elif kind == "text" and not pa.types.is_dictionary(column.type):
                column = column.dictionary_encode()
            columns.append(column)
        self._writer.write_table(pa.table(columns, schema=self._arrow))
        self.n_rows += len(frame)

    def append_arrow(self, table: pa.Table) -> None:
        """Add the rows of an Arrow table that has the columns and types of the schema."""
        self._writer.write_table(table.cast(self._arrow))
        self.n_rows += len(table)

    def close(self) -> None:
        """Finish the file."""
        self._writer.close()


def infer_schema(frame: pd.DataFrame) -> dict[str, Kind]:
    """The kind of each column of a frame, from its type and, for object columns, its values."""
    return {str(name): _infer_kind(frame[name]) for name in frame.columns}


def read_table(
    path: Path, schema: Schema, columns: Sequence[str] | None = None, *, player: str | None = None
) -> pd.DataFrame:
    """Read a table written by `TableWriter`, or some of its columns.

    Text that is null reads as "", words as tuples, numbers in lists as arrays. With `player` only that player's rows,
    where the table's columns include ``player``.

    Raises
    ------
    InputError
        Where the file cannot be read as such a table.
    """
    wanted = list(schema) if columns is None else list(columns)
    with damage_reported(path):
        blocks = list(_blocks(path, schema, wanted))
        if player is not None:
            blocks = [block.filter(pc.equal(block["player"], player)) for block in blocks]
        return _to_frame(pa.concat_tables(blocks) if blocks else _empty(schema, wanted), schema)


def stream_table(
    path: Path, schema: Schema, rows: int, columns: Sequence[str] | None = None
) -> Iterator[pd.DataFrame]:
    """The same table, `rows` rows at a time, so that it need not fit in memory."""
    wanted = list(schema) if columns is None else list(columns)
    with damage_reported(path):
        left = _empty(schema, wanted)
        for block in _blocks(path, schema, wanted):
            left = pa.concat_tables([left, block])
            while len(left) >= rows:
                yield _to_frame(left.slice(0, rows), schema)
                left = left.slice(rows)
        if len(left):
            yield _to_frame(left, schema)


@contextmanager
def damage_reported(path: Path) -> Iterator[None]:
    """Turn whatever reading a damaged file raises into an `InputError` that names it."""
    try:
        yield
    except (pa.ArrowException, OSError, ValueError, KeyError) as error:
        found = str(error).strip("'")
        raise InputError(
            "damaged-results", where=str(path), expected="a table of faultml", found=found
        ) from error


def table_parts(path: Path) -> list[Path]:
    """The files of a table in order: itself, or the parts in its folder."""
    return sorted(path.glob(f"{PART_PREFIX}*")) if path.is_dir() else [path]


def _blocks(path: Path, schema: Schema, wanted: list[str]) -> Iterator[pa.Table]:
    """A table's rows in blocks of bounded size, in the types of the schema."""
    if path.suffix == ".csv":
        yield from _csv_blocks(path, schema, wanted)
        return
    for part in table_parts(path):
        with pq.ParquetFile(part) as file:
            for batch in file.iter_batches(columns=wanted):
                yield pa.Table.from_batches([batch]).select(wanted)


def _empty(schema: Schema, wanted: list[str]) -> pa.Table:
    return pa.schema([(name, _TYPES[schema[name]]) for name in wanted]).empty_table()


def _to_frame(table: pa.Table, schema: Schema) -> pd.DataFrame:
    return pd.DataFrame({name: _to_pandas(table[name], schema[name]) for name in table.column_names})


def _infer_kind(column: pd.Series) -> Kind:
    if pd.api.types.is_bool_dtype(column):
        return "flag"
    if pd.api.types.is_integer_dtype(column):
        return "whole"
    if pd.api.types.is_float_dtype(column):
        return "number"
    if column.dtype != object:
        return "text"
    lists = [value for value in column if isinstance(value, list | tuple | np.ndarray)]
    if not lists:
        return "text"
    first = next((part for value in lists for part in value), "")
    return "words" if isinstance(first, str) else "numbers"


def _to_arrow(column: pd.Series, kind: Kind) -> pa.Array:
    if kind == "number":
        return pa.array(column.to_numpy(dtype=float, na_value=np.nan), from_pandas=True)
    if kind in ("words", "numbers"):
        return pa.array([None if value is None else list(value) for value in column], _TYPES[kind])
    if isinstance(column.dtype, pd.CategoricalDtype):
        words = pa.array(column.cat.categories, _TYPES[kind])
        return pa.DictionaryArray.from_arrays(column.cat.codes.to_numpy().astype(np.int32), words)
    array = pa.array(column, from_pandas=True)
    array = array.combine_chunks() if isinstance(array, pa.ChunkedArray) else array
    array = array.cast(_TYPES[kind])
    return array.fill_null("") if kind == "text" else array


def _plain(column: pa.Array) -> pa.Array:
    return column.dictionary_decode() if pa.types.is_dictionary(column.type) else column


def _csv_cells(column: pa.Array, kind: Kind) -> pa.Array:
    if kind == "numbers":
        lists = column.to_pylist()
        joined = [None if value is None else _SEPARATOR.join(map(repr, value)) for value in lists]
        return pa.array(joined, pa.string())
    if kind == "words":
        parts = pc.replace_substring_regex(column.values, r"([\\|])", r"\\\1")
        column = pc.binary_join(pa.ListArray.from_arrays(column.offsets, parts), _SEPARATOR)
    if kind in ("text", "words"):
        return pc.replace_substring_regex(column, _RUNS_IN_A_SPREADSHEET, r"'\1")
    return column


def _csv_blocks(path: Path, schema: Schema, wanted: list[str]) -> Iterator[pa.Table]:
    kinds = {
        name: pa.string() if schema[name] in ("words", "numbers") else _TYPES[schema[name]] for name in wanted
    }
    reader = pacsv.open_csv(
        path,
        parse_options=pacsv.ParseOptions(newlines_in_values=True),
        convert_options=pacsv.ConvertOptions(
            include_columns=wanted, column_types=kinds, strings_can_be_null=False, null_values=[""]
        ),
    )
    for batch in reader:
        columns = [_from_cells(batch.column(name), schema[name]) for name in wanted]
        yield pa.table(columns, names=wanted)


def _from_cells(column: pa.Array, kind: Kind) -> pa.Array:
    if kind in ("text", "words"):
        column = pc.replace_substring_regex(column, ESCAPED, r"\1")
    if kind == "words":
        lists = [text.split(_SEPARATOR) if text else [] for text in column.to_pylist()]
        words = pa.array(lists, _TYPES["words"])
        return pa.ListArray.from_arrays(
            words.offsets, pc.replace_substring_regex(words.values, r"\\(.)", r"\1")
        )
    if kind == "numbers":
        cells = (text.split(_SEPARATOR) if text else None for text in column.to_pylist())
        return pa.array([None if parts is None else list(map(float, parts)) for parts in cells], _TYPES[kind])
    return column


def _to_pandas(column: pa.ChunkedArray, kind: Kind) -> pd.Series:
    if kind == "words":
        return pd.Series([tuple(value or ()) for value in column.to_pylist()], dtype=object)
    if kind == "numbers":
        lists = [None if value is None else np.array(value, dtype=float) for value in column.to_pylist()]
        return pd.Series(lists, dtype=object)
    if kind == "text":
        return column.fill_null("").to_pandas()
    return column.to_pandas()
