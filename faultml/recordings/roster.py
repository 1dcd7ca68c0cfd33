"""The roster: what the coach knows about each player.

Columns of ``roster.csv`` (all but `player` optional): ``player, hand, level, birth_year, under_16, usual_miss,
pain, ulnar_history, thumb_history, elbow_history, nerve_history, hamate_history, lessons``. An empty cell is
unknown, never "no" or "none". `roster_cells` reads the cells.

``pain`` is ``none`` (asked, and nothing hurts), ``cleared`` (a return to practice; who said so and on whose
advice is asked for) or what the player says in plain words such as ``wrist``, ``sore elbow``, ``stiff 3``; any other
text counts as pain that needs a clinician's advice. An ISO date beside the word says when. ``under_16`` and the
histories are ``yes`` or ``no``; a history in other words is a yes. ``lessons`` are ISO dates, separated by spaces or
semicolons. Names of columns may differ in case and have spaces around them. Other columns: the few that
`roster_cells` passes over, and ``note_...``; whoever has a cell in any further column counts as not read.

A player may stand in several rows, in any order: pain and lessons add up, one yes to a history or to an age under
16 holds, as does the latest year of birth and a beginner's level; of the other columns the last row that says
something holds. What was said about pain and is not in force any more is for `faultml.care` to find.
Problems never repeat what a cell says of a player's health.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from datetime import date
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Final, NamedTuple

import pandas as pd

from faultml.recordings.problems import Problem, file_problem, shorten
from faultml.recordings.roster_cells import (
    HISTORIES,
    NOT_READ,
    is_passed_over,
    more_careful_level,
    names_complaint,
    read_answer,
    read_birth_year,
    read_pain,
)
from faultml.recordings.schema import HANDS, SHOT_WORDS

ROSTER_COLUMNS: Final = (
    "player",
    "hand",
    "level",
    "birth_year",
    "under_16",
    "usual_miss",
    "pain",
    *HISTORIES,
    "lessons",
)
MAX_BYTES: Final = 20_000_000
_ROW = "a row of the roster"
_LINE_END = re.compile(r"\r\n|\n|\r")
_OF_A_BODY: Final = ("player", "pain", "birth_year", "under_16", *HISTORIES)
"""Columns whose cells may speak of a body, and the name."""


class Roster(NamedTuple):
    """One row a player: text, yes/no as True/False/None, `birth_year` None where unknown, tuples.

    `pain` holds every text of the player's rows about pain, in file order, and `lessons` all their dates.

    `file` is "" where there is no roster; `unreadable` where there is one that could not be read to its end.
    """

    table: pd.DataFrame
    problems: list[Problem]
    file: str = ""
    unreadable: bool = False


def read_roster(path: Path | None) -> Roster:
    """Read ``roster.csv``; without a readable one the table is empty."""
    if path is None:
        return Roster(roster_frame({}), [])
    file = str(path)
    try:
        with path.open("rb") as stream:
            content = stream.read(MAX_BYTES + 1)
        text = content.decode("utf-8-sig")
    except OSError as error:
        return _unread(file_problem(file, "unreadable", "a file that may be read", str(error.strerror)))
    except UnicodeDecodeError as error:
        return _unread(file_problem(file, "not-utf-8", "UTF-8", shorten(error)))
    if len(content) > MAX_BYTES:
        return _unread(file_problem(file, "too-large", "a roster", f"more than {MAX_BYTES:,} bytes"))
    return _Reader(file).read(text)


def _unread(problem: Problem) -> Roster:
    return Roster(roster_frame({}), [problem], problem.file, unreadable=True)


MAX_CELL: Final = 10_000
"""Longest cell of a roster, characters."""


class _Reader:
    def __init__(self, file: str) -> None:
        self._file = file
        self._problems: list[Problem] = []
        self._players: dict[str, dict[str, Any]] = {}
        self._unread_years: set[str] = set()

    def read(self, text: str) -> Roster:
        lines = _LINE_END.split(text.replace("\0", ""))
        delimiter = max(",;\t", key=lines[0].count)
        names: list[str] | None = None
        for number, line in enumerate(lines, 1):
            # A line is a row: a quote that is left open must not swallow the rows after it.
            fields = self._fields(number, line, delimiter, names)
            if names is None and fields is not None:
                names = fields = self._names(fields)
            elif fields is not None and names is not None and any(field.strip() for field in fields):
                self._add(number, names, fields)
            if fields is None or names is None:
                return Roster(roster_frame(self._players), self._problems, self._file, unreadable=True)
        for player in self._unread_years:
            known = self._players[player]
            if known.get("birth_year") is None and known.get("under_16") is False:
                known["under_16"] = None  # the two cells may not agree: the age is not known
        return Roster(roster_frame(self._players), self._problems, self._file)

    def _fields(self, number: int, line: str, delimiter: str, names: list[str] | None) -> list[str] | None:
        """The fields of a line, None where it cannot be read."""
        try:
            fields = next(csv.reader([line], delimiter=delimiter, strict=True), [])
        except csv.Error:
            fields = line.split(delimiter)
            if max(map(len, fields)) <= MAX_CELL:
                expected = f"{len(names)} fields, quotes in pairs" if names else "quotes in pairs"
                self._note(
                    number, "", "open-quote", expected, f"{len(fields)} fields and a quote without its pair"
                )
                return None
        # Not left to csv's own limit, which other libraries move.
        if max(map(len, fields), default=0) > MAX_CELL:
            self._note(number, "", "damaged-file", _ROW, f"a cell of more than {MAX_CELL:,} characters")
            return None
        return fields

    def _names(self, written: list[str]) -> list[str] | None:
        """The columns' names in small letters, None where they do not say who or what hurts."""
        names = [name.strip().casefold() for name in written]
        known = {name for name in names if name in ROSTER_COLUMNS}
        if "player" not in known or any(names.count(name) > 1 for name in known):
            # Not the names themselves: where the header is missing they are somebody's cells.
            found = ", ".join(name for name in names if name in known) or "none of the roster's columns"
            self._note(1, "", "missing-column", "a column player, each column once", found)
            return None
        for name, as_written in zip(names, written, strict=True):
            if name in ROSTER_COLUMNS and name != as_written:
                self._note(1, "", "other-header", name, f"{as_written}, read as meant")
        readable = True
        for name in names:
            absent = [column for column in ROSTER_COLUMNS if column not in known]
            near = get_close_matches(name, absent, 1, 0.7)
            if "pain" in absent and "pain" in name:
                near = ["pain"]
            if name not in known and name and not is_passed_over(name):
                expected = f"{near[0]}?" if near else "a column of the roster, or note_..."
                self._note(1, "", "unknown-column", expected, f"{name}: not read")
                readable = readable and near != ["pain"]
        return names if readable else None

    def _note(self, row: int, player: str, code: str, expected: str, found: str) -> None:
        self._problems.append(
            Problem(self._file, row, shorten(player), "", "", code, expected, shorten(found))
        )

    def _add(self, row: int, names: list[str], fields: list[str]) -> None:
        if len(fields) != len(names):
            # Such as a comma within the words about pain: whatever was meant, no drill until it is mended.
            player = dict(zip(names, fields, strict=False)).get("player", "").strip()
            self._note(row, player, "field-count", f"{len(names)} fields", str(len(fields)))
            if player:
                self._add_pain(self._players.setdefault(player, {}), NOT_READ)
            return
        cells = dict(zip(names, fields, strict=True))
        player, unread = cells["player"].strip(), self._unread(row, names, fields)
        if not player:
            self._note(row, "", "missing-id", "a player", "an empty cell")
            if said := cells.get("pain", "").strip() or unread:
                # Somebody hurts, and nobody knows who: it holds as a name does that fits nobody recorded.
                self._add_pain(self._players.setdefault(f"row {row} without a name", {}), said)
            return
        known = self._players.setdefault(player, {})
        if unread:
            self._add_pain(known, unread)
        for name in ROSTER_COLUMNS[1:]:
            said = cells.get(name, "").strip()
            if said:
                self._settle(row, player, known, name, said)

    def _unread(self, row: int, names: list[str], fields: list[str]) -> str:
        """`NOT_READ` where a cell may speak of a body and stands where it is not read, else ""."""
        strange = False
        for name, cell in zip(names, fields, strict=True):
            known = name in ROSTER_COLUMNS or is_passed_over(name)
            if known and name not in _OF_A_BODY and names_complaint(cell):
                expected = f"something else in {name}; what hurts stands in pain"
                self._note(row, "", "misplaced-cell", expected, "other words")
                strange = True
            elif not known and cell.strip():
                if not name:
                    self._note(
                        row,
                        "",
                        "unknown-column",
                        "a name for each column",
                        "a column without a name: not read",
                    )
                strange = True
        return NOT_READ if strange else ""

    def _settle(self, row: int, player: str, known: dict[str, Any], name: str, said: str) -> None:
        word = said.casefold()
        if name in ("under_16", *HISTORIES):
            self._answer(row, player, known, name, said)
        elif name == "birth_year":
            year = read_birth_year(said)
            if year is None:
                self._note(row, player, "bad-year", "a year of birth such as 1994", "something else")
                self._unread_years.add(player)
            else:
                known[name] = max(year, known.get(name) or year)
        elif name == "hand" and word not in HANDS:
            self._note(row, player, "unknown-hand", " or ".join(HANDS), _quoted(said))
        elif name == "lessons":
            known[name] = (*known.get(name, ()), *self._dates(row, player, said))
        elif name == "pain":
            self._pain(row, player, known, said)
        elif name == "usual_miss":
            words = re.split(r"[\s,;|+/]+", word)
            strange = [part for part in words if part not in SHOT_WORDS]
            if strange:
                self._note(row, player, "unknown-shot", " ".join(SHOT_WORDS), _quoted(" ".join(strange)))
            known[name] = " ".join(part for part in words if part in SHOT_WORDS)
        elif name == "level":
            known[name] = more_careful_level(known.get(name, ""), said)
        else:
            known[name] = word if name == "hand" else said

    def _answer(self, row: int, player: str, known: dict[str, Any], name: str, said: str) -> None:
        answer = read_answer(said)
        if not answer.clear:
            self._note(row, player, "unclear-answer", f"yes or no in {name}", "other words")
            if name == "under_16":  # an age, perhaps, which this column does not hold
                return
        known[name] = bool(known.get(name)) or answer.value

    def _pain(self, row: int, player: str, known: dict[str, Any], said: str) -> None:
        cell = read_pain(said)
        if not cell.clear:
            self._note(
                row, player, "unclear-pain", "none, cleared, or plain words (docs/care.md)", "other words"
            )
        if cell.kind == "returned":
            expected = "name, role, date and advice of a return to practice: faultml players return"
            self._note(row, player, "unsigned-cell", expected, "a word that bears no name")
        self._add_pain(known, said)

    def _add_pain(self, known: dict[str, Any], said: str) -> None:
        known["pain"] = tuple(dict.fromkeys((*known.get("pain", ()), said)))

    def _dates(self, row: int, player: str, said: str) -> list[str]:
        dates = []
        for part in re.split(r"[\s,;|]+", said.strip(" ,;|")):
            try:
                dates.append(date.fromisoformat(part).isoformat())
            except ValueError:
                self._note(row, player, "bad-date", "dates as in 2026-05-01", _quoted(part))
        return dates


def _quoted(cell: str) -> str:
    """A cell as a message may repeat it: not where it speaks of a body."""
    return "other words" if names_complaint(cell) else cell


def roster_frame(players: Mapping[str, Mapping[str, Any]]) -> pd.DataFrame:
    """The roster as a table: one row a player, columns `ROSTER_COLUMNS`, what is not said unknown."""
    words = ("hand", "level", "usual_miss")
    columns: dict[str, Any] = {"player": pd.Series(list(players), dtype=str)}
    for name in ROSTER_COLUMNS[1:]:
        default: Any = "" if name in words else () if name in ("pain", "lessons") else None
        values = [known.get(name, default) for known in players.values()]
        if name == "lessons":
            values = [tuple(sorted(set(dates))) for dates in values]
        columns[name] = pd.Series(values, dtype=str if name in words else object)
    return pd.DataFrame(columns)
