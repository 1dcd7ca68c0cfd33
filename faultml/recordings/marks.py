"""A coach's marks of landmarks in a table: ``marks.csv`` beside a season."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final, NamedTuple, cast

from faultml.channels import ID_COLUMNS
from faultml.recordings.corrections import COACH_SD_S, MOVABLE, CoachLandmark, Landmark
from faultml.recordings.problems import Problem, file_problem, shorten, swing_problem

NEEDED: Final = (*ID_COLUMNS, "landmark", "time_s")
SD_COLUMN: Final = "sd_s"
MIN_SD_S, MAX_SD_S = 0.001, 0.1
MAX_ROWS: Final = 1_000_000
UNREADABLE: Final = "marks-unreadable"
"""Code of a table, or a row of it, that is not used."""


class Marks(NamedTuple):
    """Marks of single landmarks, and what is wrong in their tables."""

    landmarks: tuple[CoachLandmark, ...]
    problems: list[Problem]


def read_marks(paths: Sequence[Path]) -> Marks:
    """Marks of tables with the columns ``player, session, swing, landmark, time_s`` and, where known, ``sd_s``.

    `time_s` is on the recording's own clock, `landmark` is takeaway, top or impact, `sd_s` the SD of the mark (by
    default that of a landmark dragged on the desk). A row that cannot be read is left out with a problem, and so are
    all marks of one landmark of one swing that do not agree.
    """
    held: dict[tuple[str, ...], CoachLandmark | None] = {}
    problems: list[Problem] = []
    for path in paths:
        try:
            with path.open(encoding="utf-8-sig", newline="") as stream:
                rows = csv.DictReader(stream)
                names = [(name or "").strip().lower() for name in rows.fieldnames or ()]
                missing = [name for name in NEEDED if name not in names]
                if missing:
                    found = shorten(", ".join(names) or "nothing")
                    problems.append(file_problem(str(path), UNREADABLE, ", ".join(NEEDED), found))
                    continue
                rows.fieldnames = names
                for mark in _marks(rows, path, problems):
                    key = (mark.player, mark.session, mark.swing, mark.landmark)
                    if key in held and held[key] != mark:
                        ids = key[:3]
                        expected, found = "one time for a landmark of a swing", f"another {mark.landmark}"
                        problems.append(swing_problem(str(path), 0, ids, UNREADABLE, expected, found))
                        held[key] = None
                    else:
                        held[key] = mark
        except (OSError, UnicodeDecodeError, csv.Error) as error:
            problems.append(file_problem(str(path), UNREADABLE, "a CSV table in UTF-8", shorten(error)))
    return Marks(tuple(mark for mark in held.values() if mark is not None), problems)


def _marks(rows: csv.DictReader[str], path: Path, problems: list[Problem]) -> Iterator[CoachLandmark]:
    for line, row in enumerate(rows, 2):
        if line > MAX_ROWS:
            problems.append(file_problem(str(path), UNREADABLE, f"at most {MAX_ROWS:,} rows", "more"))
            return
        cells = {name: (value or "").strip() for name, value in row.items() if isinstance(value, str)}
        if not any(cells.values()):
            continue
        ids = [cells.get(name, "") for name in ID_COLUMNS]
        landmark, at_s = cells.get("landmark", "").lower(), _number(cells.get("time_s", ""))
        sd_s = _number(cells.get(SD_COLUMN, "")) if cells.get(SD_COLUMN) else COACH_SD_S
        fits = all(ids) and landmark in MOVABLE and math.isfinite(at_s) and MIN_SD_S <= sd_s <= MAX_SD_S
        if fits:
            yield CoachLandmark(ids[0], ids[1], ids[2], cast(Landmark, landmark), at_s, sd_s)
        else:
            expected = f"ids, {' or '.join(MOVABLE)}, a time in s and an SD of {MIN_SD_S:g} to {MAX_SD_S:g} s"
            problems.append(
                swing_problem(str(path), line, ids, UNREADABLE, expected, shorten(", ".join(cells.values())))
            )


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan
