"""What stands above a table, as ``key: value``: the player, the day, the arm."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from faultml.errors import InputError
from faultml.importing.cells import iso_date, mapped_words
from faultml.importing.layout import FromColumn
from faultml.recordings.columns import MAX_TEXT_BYTES
from faultml.recordings.problems import shorten

_PARTED = re.compile(r"[:=;,|\t]")
_AROUND = "#*/\"' \t;,|"


def statements(lines: Sequence[str]) -> Iterator[tuple[str, str]]:
    """Key and value of each line that has both, trimmed; a value ends where the table's delimiter repeats."""
    for line in lines:
        parted = _PARTED.search(line.strip(_AROUND))
        if parted:
            text = line.strip(_AROUND)
            key, value = text[: parted.start()].strip(_AROUND), text[parted.end() :].strip(_AROUND)
            if key and value:
                yield key, value


def read_above(lines: Sequence[str], value: FromColumn) -> str:
    """The word above the table behind the key of a layout's value, in our vocabulary.

    Raises
    ------
    InputError
        ``not-above`` where the key stands there not at all or with several values; ``text-too-long``, ``bad-date``.
    """
    assert value.above is not None
    wanted = value.above.strip(_AROUND).casefold()
    found = {said for key, said in statements(lines) if key.casefold() == wanted}
    if len(found) != 1:
        expected = f"{value.above}: ... once above the table"
        raise InputError("not-above", expected=expected, found=shorten(", ".join(sorted(found))) or "none")
    word = found.pop()
    if len(word.encode("utf-8", "replace")) > MAX_TEXT_BYTES:
        raise InputError(
            "text-too-long", expected=f"a word of at most {MAX_TEXT_BYTES} bytes", found="a longer one"
        )
    if value.format:
        word = iso_date(word, value.format)
    return mapped_words(value.words).get(word.casefold(), word)
