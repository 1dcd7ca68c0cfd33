"""Column types of a season table in a file: which are there, which types fit, and words as text."""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches
from typing import Final

import pyarrow as pa
import pyarrow.compute as pc

from faultml.channels import ID_COLUMNS
from faultml.errors import InputError
from faultml.recordings.problems import Problem, file_problem, shorten
from faultml.recordings.schema import (
    KNOWN_COLUMNS,
    NEEDED_COLUMNS,
    NUMBER_COLUMNS,
    SAMPLE_COLUMNS,
    SHOT_COLUMN,
)

MAX_TEXT_BYTES: Final = 1000
"""Longest id, club or other word that is read."""


def check_names(names: Sequence[str]) -> None:
    """Refuse a table that lacks a needed column, or has a known one twice.

    Raises
    ------
    InputError
        ``doubled-column`` or ``missing-column``.
    """
    doubled = sorted({name for name in names if name in KNOWN_COLUMNS and names.count(name) > 1})
    if doubled:
        raise InputError("doubled-column", expected="each column once", found=", ".join(doubled))
    missing = [name for name in NEEDED_COLUMNS if name not in names]
    if missing:
        unknown = [name for name in names if name not in KNOWN_COLUMNS]
        meant = [f"{name}? for {near}" for name in missing for near in _near(name, unknown)]
        found = shorten("no " + ", ".join(missing) + "; columns " + ", ".join(names))
        expected = shorten("; ".join([*meant, ", ".join(NEEDED_COLUMNS)]))
        raise InputError("missing-column", expected=expected, found=found)


def _near(name: str, unknown: Sequence[str]) -> list[str]:
    """The unknown column that looks like the missing one, if there is one."""
    plain = {other.strip().casefold(): other for other in unknown}
    return [plain[match] for match in get_close_matches(name, plain, 1, 0.7)]


def check_columns(schema: pa.Schema, file: str) -> list[Problem]:
    """Refuse columns that do not fit; tell of ids that are numbers.

    Raises
    ------
    InputError
        ``doubled-column``, ``missing-column`` or ``wrong-type``.
    """
    check_names(schema.names)
    for name, kind in zip(schema.names, schema.types, strict=True):
        if name in KNOWN_COLUMNS and not _fits(name, kind):
            raise InputError("wrong-type", expected=f"{_wanted(name)} in {name}", found=str(kind))
    kinds = {name: schema.field(name).type for name in ID_COLUMNS}
    return [
        file_problem(
            file, "id-not-text", f"text in {name}", f"{kind}, read as text: leading zeros may be lost"
        )
        for name, kind in kinds.items()
        if pa.types.is_integer(kind)
    ]


def _is_text(kind: pa.DataType) -> bool:
    if pa.types.is_dictionary(kind):
        kind = kind.value_type
    tests = (pa.types.is_string, pa.types.is_large_string, pa.types.is_string_view)
    return any(test(kind) for test in tests)


def _is_number(kind: pa.DataType) -> bool:
    return (
        pa.types.is_floating(kind)
        or pa.types.is_integer(kind)
        or pa.types.is_decimal(kind)
        or kind == pa.null()
    )


def is_list(kind: pa.DataType) -> bool:
    """Whether a column holds a list for each row."""
    tests = (pa.types.is_list, pa.types.is_large_list, pa.types.is_fixed_size_list)
    return any(test(kind) for test in tests)


def _fits(name: str, kind: pa.DataType) -> bool:
    if kind == pa.null():
        return True
    if name in SAMPLE_COLUMNS:
        return is_list(kind) and _is_number(kind.value_type)
    if name == SHOT_COLUMN:
        return _is_text(kind) or (
            is_list(kind) and (_is_text(kind.value_type) or kind.value_type == pa.null())
        )
    if name in NUMBER_COLUMNS:
        return _is_number(kind)
    return (
        _is_text(kind) or pa.types.is_integer(kind) or pa.types.is_date(kind) or pa.types.is_timestamp(kind)
    )


def _wanted(name: str) -> str:
    if name in SAMPLE_COLUMNS:
        return "a list of numbers for each swing"
    return "a number" if name in NUMBER_COLUMNS else "text"


def as_text(column: pa.Array) -> pa.Array:
    """A column of ids or words as valid UTF-8 text; a day without a time becomes an ISO date.

    Raises
    ------
    InputError
        ``text-too-long`` or ``not-utf-8``.
    """
    words = column.dictionary if pa.types.is_dictionary(column.type) else column
    if pa.types.is_timestamp(words.type):
        try:
            column = column.cast(pa.date32())
        except pa.ArrowInvalid:
            column = column.cast(pa.string())
    if _is_text(column.type) and (pc.max(pc.binary_length(words)).as_py() or 0) > MAX_TEXT_BYTES:
        raise InputError(
            "text-too-long", expected=f"ids and words of at most {MAX_TEXT_BYTES} bytes", found="longer ones"
        )
    try:
        text = column.cast(pa.string())
        text.validate(full=True)
    except pa.ArrowInvalid as error:
        raise InputError("not-utf-8", expected="UTF-8", found=shorten(error)) from error
    return text
