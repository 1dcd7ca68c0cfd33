"""The roster: what the coach knows about each player.

Columns of ``roster.csv`` (all but `player` optional): ``player, hand, level, under_16, usual_miss, pain,
ulnar_history, thumb_history, lessons``. An empty cell is unknown, never "no" or "none".

``pain`` is ``none`` (asked, and nothing hurts), ``cleared`` (recorded by the coach after a clinician's word)
or what the player says in words such as ``wrist``, ``forearm``, ``elbow``, ``thumb``, ``elsewhere``,
``numb``, ``clicks``, ``weak``; any other text counts as pain too. ``under_16``, ``ulnar_history`` and
``thumb_history`` are ``yes`` or ``no``; a history told in other words is a yes. ``lessons`` are ISO dates,
separated by spaces or semicolons. Names of columns may differ in case and have spaces around them.

A player may stand in several rows: the last one that says something holds, column by column, and lessons add
up. Pain is the exception: once something hurts, only ``cleared`` ends it; a later ``none`` does not.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from datetime import date
from difflib import get_close_matches
from io import StringIO
from pathlib import Path
from typing import Any, Final, NamedTuple

import pandas as pd

from faultml.recordings.problems import Problem, file_problem, shorten
from faultml.recordings.schema import HANDS, SHOT_WORDS

ROSTER_COLUMNS: Final = (
    "player",
    "hand",
    "level",
    "under_16",
    "usual_miss",
    "pain",
    "ulnar_history",
    "thumb_history",
    "lessons",
)
MOST_BYTES: Final = 20_000_000
NO_PAIN, CLEARED = "none", "cleared"
NOT_READ: Final = "roster-not-read"
"""Stands for pain where the row, or the whole roster, could not be read: what it says of pain is not known."""

_YES, _NO = ("yes", "y", "true", "1"), ("no", "n", "false", "0")
_PAIN_WORDS: Final = re.compile(
    r"\b(hand|wrist|forearm|elbow|thumb|fingers?|shoulder|back|neck|hip|knee|elsewhere|pain|sore|hurts?|numb(ness)?"
    r"|click(s|ing)?|weak(ness)?|swollen|stiff)\b"
)
_ROW = "a row of the roster"


class Roster(NamedTuple):
    """One row a player: text, yes/no as True/False/None, `pain` None where unknown, `lessons` as tuples.

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
            content = stream.read(MOST_BYTES + 1)
        text = content.decode("utf-8-sig")
    except OSError as error:
        return _unread(file_problem(file, "unreadable", "a file that may be read", str(error.strerror)))
    except UnicodeDecodeError as error:
        return _unread(file_problem(file, "not-utf-8", "UTF-8", shorten(error)))
    if len(content) > MOST_BYTES:
        return _unread(file_problem(file, "too-large", "a roster", f"more than {MOST_BYTES:,} bytes"))
    return _Reader(file).read(text)


def _unread(problem: Problem) -> Roster:
    return Roster(roster_frame({}), [problem], problem.file, unreadable=True)


MOST_CELL: Final = 10_000
"""Longest cell of a roster, characters."""


class _Reader:
    def __init__(self, file: str) -> None:
        self._file = file
        self._problems: list[Problem] = []
        self._players: dict[str, dict[str, Any]] = {}

    def read(self, text: str) -> Roster:
        first = text.partition("\n")[0]
        delimiter = max(",;\t", key=first.count)
        rows = csv.reader(StringIO(text.replace("\0", "")), delimiter=delimiter)
        try:
            names = self._names(next(rows, []))
            if names is None:
                return Roster(roster_frame({}), self._problems, self._file, unreadable=True)
            for fields in rows:
                # Not left to csv's own limit, which other libraries move.
                if max(map(len, fields), default=0) > MOST_CELL:
                    raise csv.Error(f"a cell of more than {MOST_CELL:,} characters")
                if any(field.strip() for field in fields):
                    self._add(rows.line_num, names, fields)
        except csv.Error as error:
            self._note(rows.line_num, "", "damaged-file", _ROW, shorten(error))
            return Roster(roster_frame(self._players), self._problems, self._file, unreadable=True)
        return Roster(roster_frame(self._players), self._problems, self._file)

    def _names(self, written: list[str]) -> list[str] | None:
        """The columns' names in small letters, None where they do not say who or what hurts."""
        names = [name.strip().casefold() for name in written]
        known = {name for name in names if name in ROSTER_COLUMNS}
        if "player" not in known or any(names.count(name) > 1 for name in known):
            found = ", ".join(names) or "nothing"
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
            if name not in known and near:
                self._note(1, "", "unknown-column", f"{near[0]}?", f"{name}, not read")
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
                self._players.setdefault(player, {})["pain"] = NOT_READ
            return
        cells = dict(zip(names, fields, strict=True))
        player = cells["player"].strip()
        if not player:
            self._note(row, "", "missing-id", "a player", "an empty cell")
            return
        known = self._players.setdefault(player, {})
        for name in ROSTER_COLUMNS[1:]:
            said = cells.get(name, "").strip()
            if said:
                self._settle(row, player, known, name, said)

    def _settle(self, row: int, player: str, known: dict[str, Any], name: str, said: str) -> None:
        word = said.casefold()
        if name in ("under_16", "ulnar_history", "thumb_history"):
            if word in _YES or word in _NO:
                known[name] = word in _YES
                return
            self._note(row, player, "unclear-answer", f"yes or no in {name}", said)
            known[name] = None if name == "under_16" else True
        elif name == "hand" and word not in HANDS:
            self._note(row, player, "unknown-hand", " or ".join(HANDS), said)
        elif name == "lessons":
            known[name] = (*known.get(name, ()), *self._dates(row, player, said))
        elif name == "pain":
            known[name] = self._pain(row, player, known.get(name), said)
        elif name == "usual_miss":
            words = re.split(r"[\s,;|+/]+", word)
            strange = [part for part in words if part not in SHOT_WORDS]
            if strange:
                self._note(row, player, "unknown-shot", " ".join(SHOT_WORDS), " ".join(strange))
            known[name] = " ".join(part for part in words if part in SHOT_WORDS)
        else:
            known[name] = word if name == "hand" else said

    def _pain(self, row: int, player: str, before: str | None, said: str) -> str:
        word = said.casefold()
        if word == CLEARED:
            return CLEARED
        if word == NO_PAIN:
            hurts = before not in (None, NO_PAIN, CLEARED)
            return before if hurts and before else NO_PAIN
        if not _PAIN_WORDS.search(word):
            self._note(
                row, player, "unclear-pain", "empty, none, cleared, or what hurts", f"{said}: taken as pain"
            )
        return said

    def _dates(self, row: int, player: str, said: str) -> list[str]:
        dates = []
        for part in re.split(r"[\s,;|]+", said.strip(" ,;|")):
            try:
                dates.append(date.fromisoformat(part).isoformat())
            except ValueError:
                self._note(row, player, "bad-date", "dates as in 2026-05-01", part)
        return dates


def roster_frame(players: Mapping[str, Mapping[str, Any]]) -> pd.DataFrame:
    """The roster as a table: one row a player, columns `ROSTER_COLUMNS`, what is not said unknown."""
    words = ("hand", "level", "usual_miss")
    columns: dict[str, Any] = {"player": pd.Series(list(players), dtype=str)}
    for name in ROSTER_COLUMNS[1:]:
        default: Any = "" if name in words else () if name == "lessons" else None
        values = [known.get(name, default) for known in players.values()]
        if name == "lessons":
            values = [tuple(sorted(set(dates))) for dates in values]
        columns[name] = pd.Series(values, dtype=str if name in words else object)
    return pd.DataFrame(columns)
