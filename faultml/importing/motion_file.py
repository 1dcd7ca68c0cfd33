"""Open motion files, ``.sto`` and ``.mot``: a header of ``key=value`` lines up to ``endheader``, then a table."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Final, Literal

import msgspec

from faultml.errors import InputError
from faultml.importing.layout import FileLayout
from faultml.importing.readers import Block
from faultml.importing.text import open_bytes, read_text
from faultml.recordings.problems import shorten

MAX_HEADER_LINES: Final = 1000
MAX_HEADER_LINE_LETTERS: Final = 10_000

_UNITS: Final[dict[str, Literal["deg", "rad"]]] = {"yes": "deg", "no": "rad"}


class MotionReader:
    """Reader ``motion``. The header says where the table begins, so the layout's lines are not used."""

    def read(self, path: Path, layout: FileLayout) -> Iterator[Block]:
        """The table of a file, see `faultml.importing.readers.Reader.read`.

        Raises
        ------
        InputError
            ``no-motion-header``, or ``rows-missing`` at the end where the header promises another number of rows.
        """
        header, n_lines = read_header(path)
        layout = msgspec.structs.replace(
            layout, names_line=n_lines + 1, first_line=None, delimiter="space", decimal="."
        )
        n_rows = 0
        for block in read_text(path, layout):
            n_rows += len(block.lines)
            unit: Literal["", "deg", "rad"] = _UNITS.get(header.get("indegrees", "").lower(), "")
            yield replace(
                block, angle_unit=unit, above=tuple(f"{key}={value}" for key, value in header.items())
            )
        promised = header.get("nrows", "")
        if promised.isdecimal() and int(promised[:18]) != n_rows:
            raise InputError(
                "rows-missing", expected=f"{promised} rows, as the header says", found=f"{n_rows}"
            )


def read_header(path: Path) -> tuple[dict[str, str], int]:
    """The header's values by their keys in lower case, and its number of lines.

    Raises
    ------
    InputError
        ``no-motion-header`` where it does not end.
    """
    header: dict[str, str] = {}
    with open_bytes(path) as stream:
        for line in range(1, MAX_HEADER_LINES + 1):
            text = stream.readline(MAX_HEADER_LINE_LETTERS).decode("utf-8", "replace").strip()
            key, _, value = text.partition("=")
            if key.strip().lower() == "endheader":
                return header, line
            header[key.strip().lower()] = value.strip()
    raise InputError(
        "no-motion-header",
        expected=f"a line 'endheader' among the first {MAX_HEADER_LINES}",
        found=shorten(next(iter(header), "")) or "an empty file",
    )
