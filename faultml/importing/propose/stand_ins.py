"""What a recorder writes in place of a lost sample: words among numbers, or a number far from all others."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from faultml.errors import InputError
from faultml.importing.cells import Written, read_numbers
from faultml.recordings.csv_parse import MISSING_WORDS

MAX_WORDS: Final = 3
"""A column of numbers with more kinds of words holds something else."""
FAR: Final = 0.45
"""A stand-in is more than twice as large as every other number of its column."""

_NUMBERS: Final = (999.0, 999.9, 999.99, 9999.0, 9999.9, 99999.0, 999999.0, 32767.0, 32768.0, 65535.0)
_WORD = re.compile(
    r"[^\w]{1,8}|lost|missing|miss|invalid|inv|err|error|no ?data|off|x|none|bad|void|#n/a|#value!|n\.a\.?",
    re.I,
)


def find_stand_ins(columns: Mapping[str, pa.ChunkedArray], written: Written) -> dict[str, str]:
    """Words and numbers that stand for a lost sample, each with what speaks for it."""
    found: dict[str, str] = {}
    for name, column in columns.items():
        if not column.num_chunks or not len(column):
            continue
        whole = pa.concat_arrays(column.chunks)
        try:
            numbers, bad = read_numbers(whole, written)
        except (InputError, pa.ArrowException):
            continue
        sound = np.isfinite(numbers)
        if sound.sum() < 0.5 * len(numbers):
            continue
        if bad.any():
            cells = pc.utf8_trim_whitespace(whole.filter(pa.array(bad))).value_counts().to_pylist()
            if len(cells) <= MAX_WORDS and all(_WORD.fullmatch(each["values"]) for each in cells):
                for each in cells:
                    found.setdefault(
                        each["values"], f"stands {each['counts']} times among the numbers of {name!r}"
                    )
        for number in (*_NUMBERS, *(-each for each in _NUMBERS)):
            hit = numbers == number
            others = np.abs(numbers[sound & ~hit])
            if hit.any() and len(others) and others.max() <= FAR * abs(number):
                text = f"{number:.10g}".replace(".", written.decimal)
                found.setdefault(text, f"stands {hit.sum()} times in {name!r}, far from all other numbers")
    return {word: why for word, why in found.items() if word not in MISSING_WORDS}
