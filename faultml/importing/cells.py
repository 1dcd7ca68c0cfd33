"""Cells of a recorder's table as numbers, words and seconds."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from faultml.errors import InputError
from faultml.importing.layout import FileLayout, FromColumn, TimeLayout
from faultml.recordings.columns import MAX_TEXT_BYTES, as_text
from faultml.recordings.csv_parse import MISSING_WORDS
from faultml.recordings.problems import shorten

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

PER_SECOND: Final = {"s": 1, "ms": 1_000, "us": 1_000_000, "ns": 1_000_000_000}
EPOCH_S: Final = 1e8
"""Times later than this, three years, count from an epoch: they are taken from the midnight before the first one."""

_ALIKE: Final = {" ": "[\u00a0\u202f\u2009]", "'": "\u2019"}
"""Other forms of a mark between thousands."""
_DAY_S: Final = 86_400
_NUMBER: Final = r"^[+-]?(?:(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,4})?|inf(?:inity)?|INF|Inf)$"
_INTEGER: Final = r"^[+-]?\d{1,19}$"


def find_column(table: pa.Table, reference: str) -> pa.Array:
    """A column by its name, or by its place as ``"#3"``.

    Raises
    ------
    InputError
        ``missing-column``, or ``doubled-column`` where the name stands more than once.
    """
    names: list[str] = table.column_names
    if names.count(reference) > 1:
        raise InputError(
            "doubled-column", expected=f"one column {reference!r}, or its place", found="several"
        )
    if reference in names:
        at = names.index(reference)
    elif reference[:1] == "#" and reference[1:].isdecimal() and 1 <= int(reference[1:7]) <= len(names):
        at = int(reference[1:7]) - 1
    else:
        raise InputError("missing-column", expected=shorten(repr(reference)), found=shorten(", ".join(names)))
    column = table.column(at).combine_chunks()
    return pa.concat_arrays(column.chunks) if isinstance(column, pa.ChunkedArray) else column


def plain_text(column: pa.Array) -> pa.Array:
    """A column as trimmed text, null where it is empty; whole numbers without a decimal point."""
    if pa.types.is_dictionary(column.type):
        return plain_text(column.dictionary).take(column.indices)
    if pa.types.is_floating(column.type):
        whole = pc.and_(pc.equal(column, pc.round(column)), pc.less(pc.abs(column), 1e15))
        text = pc.if_else(
            pc.fill_null(whole, False),
            pc.if_else(pc.fill_null(whole, False), column, 0.0).cast(pa.int64()).cast(pa.string()),
            column.cast(pa.string()),
        )
    elif pa.types.is_nested(column.type) or pa.types.is_binary(column.type):
        raise InputError("wrong-type", expected="text or numbers", found=str(column.type))
    else:
        text = as_text(column)
    text = pc.utf8_trim_whitespace(text)
    return pc.if_else(pc.equal(text, ""), pa.scalar(None, pa.string()), text)


@dataclass(frozen=True)
class Written:
    """How a file writes numbers: decimal mark, mark between thousands, and what stands for a lost sample."""

    decimal: str = "."
    thousands: str = ""
    missing: tuple[str, ...] = ()

    @staticmethod
    def of(file: FileLayout) -> Written:
        """As a layout says."""
        return Written(file.decimal, file.thousands, tuple(word.strip() for word in file.missing))

    @property
    def missing_numbers(self) -> list[float]:
        """Those of `missing` that are numbers, whichever way they are written: -999, -999.0."""
        numbers = (_float(word.replace(self.decimal, ".")) for word in self.missing)
        return [number for number in numbers if number is not None]


def read_numbers(column: pa.Array, written: Written) -> tuple[Floats, Mask]:
    """The numbers of a column, NaN where there is none, and where a cell holds something else.

    A separator of thousands that the layout does not name is something else: ``1,234`` is a number with a decimal
    comma or none at all.
    """
    numbers, bad = _read_numbers(column, written)
    if written.missing_numbers:
        numbers[np.isin(numbers, written.missing_numbers)] = np.nan
    return numbers, bad


def _read_numbers(column: pa.Array, written: Written) -> tuple[Floats, Mask]:
    decimal = written.decimal
    if pa.types.is_dictionary(column.type):
        column = column.cast(column.type.value_type)
    if _is_number(column.type):
        values = column.cast(pa.float64(), safe=False).to_numpy(zero_copy_only=False)
        return np.array(values, dtype=float), np.zeros(len(column), dtype=bool)
    if column.type == pa.null():
        return np.full(len(column), np.nan), np.zeros(len(column), dtype=bool)
    if not _is_text(column.type):
        raise InputError("wrong-type", expected="numbers", found=str(column.type))
    if decimal == ".":
        # Plain numbers and nothing else, as most columns hold: all else is looked at cell by cell.
        try:
            values = column.cast(pa.float64()).to_numpy(zero_copy_only=False)
        except pa.ArrowInvalid:
            pass
        else:
            if np.isfinite(values).all():
                return np.array(values, dtype=float), np.zeros(len(column), dtype=bool)
    text = pc.utf8_trim_whitespace(column)
    missing = pc.is_in(text, value_set=pa.array([*MISSING_WORDS, *written.missing], text.type))
    text = pc.if_else(missing, pa.scalar(None, text.type), text)
    bad = pa.array(np.zeros(len(text), dtype=bool))
    if written.thousands:
        text, bad = _ungrouped(text, written)
    if decimal != ".":
        bad = pc.or_(bad, pc.fill_null(pc.match_substring(text, "."), False))
        text = pc.replace_substring(text, decimal, ".")
    sound = pc.and_not(pc.fill_null(pc.match_substring_regex(text, _NUMBER), True), bad)
    text = pc.if_else(sound, text, pa.scalar(None, text.type))
    try:
        numbers = text.cast(pa.float64())
    except pa.ArrowInvalid:  # a form that only one of the two takes for a number
        numbers = pa.array([_float(cell) for cell in text.to_pylist()], pa.float64())
    return (
        np.array(numbers.to_numpy(zero_copy_only=False), dtype=float),
        ~sound.to_numpy(zero_copy_only=False),
    )


def _ungrouped(text: pa.Array, written: Written) -> tuple[pa.Array, pa.Array]:
    """The cells without marks between thousands, and where such a mark stands elsewhere than before three digits."""
    if written.thousands in _ALIKE:
        text = pc.replace_substring_regex(text, _ALIKE[written.thousands], written.thousands)
    mark, decimal = re.escape(written.thousands), re.escape(written.decimal)
    holds = pc.fill_null(pc.match_substring(text, written.thousands), False)
    grouped = rf"^[+-]?\d{{1,3}}(?:{mark}\d{{3}})+(?:{decimal}\d*)?(?:[eE][+-]?\d{{1,4}})?$"
    sound = pc.fill_null(pc.match_substring_regex(text, grouped), False)
    text = pc.if_else(sound, pc.replace_substring(text, written.thousands, ""), text)
    return text, pc.and_not(holds, sound)


def _float(cell: str | None) -> float | None:
    try:
        return None if cell is None else float(cell)
    except ValueError:
        return None


def _is_number(kind: pa.DataType) -> bool:
    return pa.types.is_floating(kind) or pa.types.is_integer(kind) or pa.types.is_decimal(kind)


def _is_text(kind: pa.DataType) -> bool:
    return pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_string_view(kind)


@dataclass(frozen=True)
class Words:
    """Words of rows: ``words[codes[k]]`` is that of row k, ``""`` where it has none."""

    codes: NDArray[np.int64]
    words: tuple[str, ...]

    @staticmethod
    def constant(word: str, n_rows: int) -> Words:
        """The same word in every row."""
        return Words(np.zeros(n_rows, dtype=np.int64), (word,))

    def carried(self, rows: Mask, last: str) -> Words:
        """The words with those of some rows taken from the row before; `last` is that before the first row."""
        places = np.maximum.accumulate(np.where(rows, -1, np.arange(len(rows))))
        codes = np.where(places < 0, len(self.words), self.codes[places])
        return Words(codes, (*self.words, last))

    def at(self, row: int) -> str:
        """The word of one row."""
        return self.words[self.codes[row]]

    def given(self, start: int, stop: int) -> set[str]:
        """The words of some rows, without the empty one."""
        return {self.words[code] for code in np.unique(self.codes[start:stop])} - {""}


def read_words(table: pa.Table, value: FromColumn) -> Words:
    """The words of a column in our vocabulary; with a format, stamps as ISO dates.

    Raises
    ------
    InputError
        ``missing-column``, ``doubled-column``, ``wrong-type``, ``text-too-long``, ``bad-date``.
    """
    assert value.column is not None  # else it stands above the table
    column = find_column(table, value.column)
    if pa.types.is_nested(column.type) or pa.types.is_binary(column.type):
        raise InputError("wrong-type", expected=f"words in {shorten(value.column)}", found=str(column.type))
    if value.format and not pa.types.is_temporal(column.type):
        column = plain_text(column)
    encoded = pc.fill_null(_encode(column).indices, -1).to_numpy(zero_copy_only=False).astype(np.int64)
    distinct = _encode(column).dictionary
    if pa.types.is_temporal(distinct.type):
        words = ["" if word is None else str(word)[:10] for word in distinct.cast(pa.string()).to_pylist()]
    else:
        words = [word or "" for word in plain_text(distinct).to_pylist()]
        if value.format:
            words = [iso_date(word, value.format) for word in words]
    if any(len(word.encode("utf-8", "replace")) > MAX_TEXT_BYTES for word in words):
        raise InputError(
            "text-too-long", expected=f"words of at most {MAX_TEXT_BYTES} bytes", found="longer ones"
        )
    mapped = mapped_words(value.words)
    words = [mapped.get(word.casefold(), word) for word in words]
    return Words(np.where(encoded < 0, len(words), encoded), (*words, mapped.get("", "")))


def _encode(column: pa.Array) -> pa.DictionaryArray:
    return column if pa.types.is_dictionary(column.type) else column.dictionary_encode()


def mapped_words(words: Mapping[str, str]) -> dict[str, str]:
    """Our words by the file's, whatever their case."""
    return {word.strip().casefold(): ours for word, ours in words.items()}


def iso_date(word: str, form: str) -> str:
    """A date in a format as an ISO date, "" where there is none."""
    if not word:
        return ""
    try:
        return str(pd.to_datetime(word, format="ISO8601" if form == "iso" else form).date())
    except (ValueError, OverflowError, AttributeError) as error:  # NaT, for "nan", has no date
        raise InputError("bad-date", expected=f"a date as {form}", found=shorten(repr(word))) from error


@dataclass
class Clock:
    """The clock of one file, in seconds.

    Times are divided by their unit. Where they count from an epoch, or are stamps of day and time, they are
    distinguished from the midnight (UTC) before the file's first one, found without rounding. `samples` clocks are
    counts over the rate.
    """

    layout: TimeLayout
    written: Written
    _origin: int | None = field(default=None)
    """In units of the clock."""

    def read(self, table: pa.Table, done: int) -> tuple[Floats, Mask]:
        """Seconds of a block's rows, and where a cell holds something else; `done` rows came before."""
        layout = self.layout
        if layout.column is None:
            return self._counts(np.arange(done, done + len(table), dtype=float)), np.zeros(len(table), bool)
        column = find_column(table, layout.column)
        if layout.unit == "samples":
            numbers, bad = read_numbers(column, self.written)
            return self._counts(numbers), bad
        return self.seconds(column, layout.unit)

    def seconds(self, column: pa.Array, unit: str) -> tuple[Floats, Mask]:
        """A column of times in a unit as seconds on this clock."""
        if unit == "datetime":
            return self._stamps(column)
        per_second = PER_SECOND[unit]
        if pa.types.is_temporal(column.type):
            raise InputError("wrong-type", expected=f"numbers of {unit}", found=f"stamps ({column.type})")
        numbers, bad = read_numbers(column, self.written)
        if self._origin is None and np.isfinite(numbers).any():
            first = numbers[np.isfinite(numbers)][0]
            far = abs(first) > EPOCH_S * per_second
            self._origin = int(first // (_DAY_S * per_second)) * _DAY_S * per_second if far else 0
        if self._origin:
            whole = _integers(column)
            left = numbers - self._origin if whole is None else (whole - self._origin).astype(float)
            numbers = np.where(np.isfinite(numbers), left, numbers)
        return numbers / per_second, bad

    def _counts(self, counts: Floats) -> Floats:
        rate_hz = self.layout.rate_hz
        assert isinstance(rate_hz, float | int)  # an open question is never applied
        return counts / rate_hz

    def _stamps(self, column: pa.Array) -> tuple[Floats, Mask]:
        if pa.types.is_dictionary(column.type):
            column = column.cast(column.type.value_type)
        if pa.types.is_timestamp(column.type):
            stamps = pd.Series(column.cast(pa.timestamp("ns"), safe=False).to_numpy(zero_copy_only=False))
            bad = np.zeros(len(column), dtype=bool)
        elif column.type == pa.null():
            return np.full(len(column), np.nan), np.zeros(len(column), dtype=bool)
        elif _is_text(column.type):
            text = pd.Series(plain_text(column).to_pylist(), dtype=object)
            form = self.layout.format or "ISO8601"
            try:
                stamps = pd.to_datetime(text, format=form, errors="coerce", utc=True).dt.tz_convert(None)
            except (ValueError, OverflowError) as error:
                raise InputError("bad-layout", where="time.format", found=shorten(error)) from error
            bad = (stamps.isna() & text.notna()).to_numpy()
        else:
            raise InputError("wrong-type", expected="stamps of day and time", found=str(column.type))
        lost = stamps.isna().to_numpy()
        counts = stamps.to_numpy().astype("datetime64[ns]").astype(np.int64)
        day = _DAY_S * PER_SECOND["ns"]
        if self._origin is None and not lost.all():
            self._origin = int(counts[~lost][0]) // day * day
        return np.where(lost, np.nan, (counts - (self._origin or 0)) / PER_SECOND["ns"]), bad


def _integers(column: pa.Array) -> NDArray[np.int64] | None:
    """The column as whole numbers of any size, 0 where empty; None where it holds others."""
    if pa.types.is_dictionary(column.type):
        column = column.cast(column.type.value_type)
    if _is_text(column.type):
        text = pc.utf8_trim_whitespace(column)
        whole = pc.fill_null(pc.match_substring_regex(text, _INTEGER), False)
        if not pc.all(pc.or_(whole, pc.is_in(text, value_set=pa.array(MISSING_WORDS)))).as_py():
            return None
        try:
            column = pc.if_else(whole, pc.replace_substring_regex(text, r"^\+", ""), "0").cast(pa.int64())
        except pa.ArrowInvalid:
            return None
    elif not pa.types.is_signed_integer(column.type):
        return None
    return pc.fill_null(column, 0).cast(pa.int64()).to_numpy(zero_copy_only=False)
