"""Where a player, a session or the number of a swing may stand: a part of the files' names, or a column."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from faultml.desk.answers import Answer, Answers
from faultml.errors import InputError
from faultml.importing.pattern import parse_pattern
from faultml.importing.propose.ids import NAME_GAP, name_pieces
from faultml.report.text import shown

MAX_VALUES: Final = 4
"""So many of the values that an answer would give are shown."""
MAX_COLUMN_VALUES: Final = 40
MAX_COLUMNS: Final = 6


@dataclass(frozen=True)
class IdChoice:
    """A place that an id may be read from: its words, and the layout's values by path."""

    words: str
    changes: dict[str, Answer]


def id_choices(answers: Answers, what: str) -> list[IdChoice]:
    """Where ``player``, ``session`` or ``swing`` may stand, with what would be read there."""
    return [*_in_names(answers, what), *_in_columns(answers, what)]


def _in_names(answers: Answers, what: str) -> Iterator[IdChoice]:
    """Parts of the files' names, where all names have the same parts."""
    pieces = [name_pieces(path) for path in answers.files]
    if len({len(each) for each in pieces}) != 1:
        return
    taken = _places(answers, pieces[0])
    for at, piece in enumerate(pieces[0]):
        if NAME_GAP.fullmatch(piece) or at in taken:
            continue
        values = list(dict.fromkeys(each[at] for each in pieces))
        pattern = _pattern(answers.files, pieces, taken | {at: what})
        if pattern:
            words = f"{_listed(values)}, as the files' names say"
            yield IdChoice(words, {"ids.pattern": pattern, f"ids.{what}": None})


def _in_columns(answers: Answers, what: str) -> Iterator[IdChoice]:
    """Columns with few values that are neither the clock nor an angle."""
    taken = {answers.layout.time.column, *(angle.column for angle in answers.angles.values())}
    found = 0
    for name in answers.source.names:
        values = list(dict.fromkeys(str(cell) for cell in answers.source.cells[name] if cell is not None))
        if name not in taken and 0 < len(values) <= MAX_COLUMN_VALUES and found < MAX_COLUMNS:
            found += 1
            yield IdChoice(
                f"{_listed(values)}, as column {shown(name)} says", {f"ids.{what}": {"column": name}}
            )


def _places(answers: Answers, pieces: list[str]) -> dict[int, str]:
    """Which part of the first name holds which id by the pattern so far."""
    pattern = answers.layout.ids.pattern
    if not pattern:
        return {}
    places: dict[int, str] = {}
    for what, value in parse_pattern(pattern).read(answers.files[0]).items():
        at = next((at for at, piece in enumerate(pieces) if piece == value and at not in places), None)
        if at is not None:
            places[at] = what
    return places


def _pattern(files: Sequence[Path], pieces: list[list[str]], kinds: dict[int, str]) -> str:
    """The pattern with ids at the places of `kinds`; "" where it does not read every name."""
    same = [len({each[at] for each in pieces}) == 1 for at in range(len(pieces[0]))]
    parts = [
        f"{{{kinds[at]}}}" if at in kinds else piece if same[at] else "{any}"
        for at, piece in enumerate(pieces[0])
    ]
    pattern = "".join(parts) + files[0].name[len("".join(pieces[0])) :]
    try:
        parsed = parse_pattern(pattern)
        for path in files:
            parsed.read(path)
    except InputError:
        return ""
    return pattern


def _listed(values: list[str]) -> str:
    more = f" and {len(values) - MAX_VALUES} more" if len(values) > MAX_VALUES else ""
    return ", ".join(shown(value) for value in values[:MAX_VALUES]) + more
