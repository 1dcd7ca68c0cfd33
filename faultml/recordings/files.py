"""Which files make up a season, what each of them is by its content, and what is none of it."""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Literal

from faultml.errors import InputError
from faultml.recordings.problems import Problem, file_problem, shorten
from faultml.recordings.roster_cells import HISTORIES

ROSTER_FILE: Final = "roster.csv"
MARKS_FILE: Final = "marks.csv"
"""A coach's marks of landmarks, see `faultml.recordings.marks`."""
_ROSTER_BEGINS: Final = "roster"
_LISTS_BEGIN: Final = ("players", "squad", "members", "golfers", "pupils")
_SHEETS: Final = (".xlsx", ".xls", ".ods", ".numbers")
_TEXTS: Final = (".csv", ".tsv", ".txt")
_OF_A_BODY: Final = frozenset(("pain", "birth_year", "under_16", *HISTORIES))
_HEAD_BYTES: Final = 4096
ANOTHER_ROSTER: Final = "another-roster"
"""Code of a second roster, whose rows nobody has read: no drill for anybody until there is one."""
RESULTS_MARK: Final = "run.json"
"""A folder that holds this file is a results folder and no part of a season."""

SEASON_SUFFIXES: Final = (".parquet", ".csv", ".csv.gz")

UNPACK_BASE_BYTES: Final = 100_000_000
UNPACK_RATIO: Final = 100
"""A compressed file may unpack to `UNPACK_BASE_BYTES` plus so many times its size; seasons stay below 20."""

FileKind = Literal["parquet", "csv", "csv.gz"]

_MAGIC: Final[dict[bytes, FileKind]] = {b"PAR1": "parquet", b"\x1f\x8b": "csv.gz"}
_OTHER_MAGIC: Final = {
    b"PK\x03\x04": "a zip archive or a spreadsheet",
    b"BZh": "a bzip2 archive",
    b"\xfd7zXZ": "an xz archive",
    b"\x28\xb5\x2f\xfd": "a zstandard archive",
    b"%PDF": "a PDF",
    b"\x89PNG": "a picture",
    b"\xff\xd8\xff": "a picture",
    b"SQLite": "a database",
}
_UTF16_MARKS: Final = (b"\xff\xfe", b"\xfe\xff")


@dataclass
class SeasonFiles:
    """Readable files in reading order, the roster and marks beside them, and what was passed over with its reason."""

    files: list[tuple[Path, FileKind]] = field(default_factory=list)
    roster: Path | None = None
    marks: list[Path] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)


def unpack_limit_bytes(packed_bytes: int) -> int:
    """How far a compressed file of this size may unpack."""
    return UNPACK_BASE_BYTES + UNPACK_RATIO * packed_bytes


def find_files(paths: Sequence[Path]) -> SeasonFiles:
    """The files of a season given as files and folders.

    Folders are searched with their subfolders, in the order of names; hidden files and folders, those that
    begin with ``_``, README files, the roster, marks and results folders are passed over.

    Raises
    ------
    InputError
        ``no-such-path`` where a path does not exist.
    """
    found, seen = SeasonFiles(), set()
    for path in paths:
        if not path.exists():
            raise InputError(
                "no-such-path", where=str(path), expected="a Parquet or CSV file, or a folder of them"
            )
        folder = path if path.is_dir() else path.parent
        for roster in _rosters_in(folder, deep=path.is_dir()):
            found.roster = found.roster or roster
            if not _same_file(roster, found.roster):
                # Pain may stand in it: never passed over in silence.
                found.problems.append(
                    file_problem(
                        str(roster), ANOTHER_ROSTER, "one roster for a season", f"also {found.roster}"
                    )
                )
        for like in _rosters_in(folder, deep=path.is_dir(), like=True):
            expected = f"one roster, named {ROSTER_FILE}: rename or remove this file"
            found.problems.append(file_problem(str(like), ANOTHER_ROSTER, expected, "a file like a roster"))
        found.marks += [each for each in _marks_in(folder, deep=path.is_dir()) if each not in found.marks]
        candidates = list(_walk(path)) if path.is_dir() else [path]
        if not candidates:
            found.problems.append(file_problem(str(path), "empty-folder", "Parquet or CSV files", "none"))
        for candidate in candidates:
            try:
                identity = candidate.resolve()
            except (OSError, RuntimeError):  # a link to itself, which `_add` reports
                identity = candidate
            if identity not in seen:
                seen.add(identity)
                _add(candidate, found, named=candidate == path)
    return found


def _same_file(one: Path, other: Path) -> bool:
    try:
        return one.samefile(other)
    except OSError:  # a link to itself or to nothing
        return one == other


def is_utf8(path: Path) -> bool:
    """Whether a path can be written down: a name that is not UTF-8 has no place in a table."""
    try:
        str(path).encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def bad_name(path: Path) -> Problem:
    """The problem of a path that is not UTF-8, with a readable form of it."""
    shown = os.fsencode(path).decode("utf-8", "replace")
    return file_problem(shown, "name-not-utf8", "a name in UTF-8", shorten(repr(os.fsencode(path.name))))


def season_rosters(paths: Sequence[Path], *, like: bool = False) -> list[Path]:
    """The rosters that lie beside files or in folders of a season now, each once.

    With `like` instead the files that may be one, by their name (``roster...``, a spreadsheet ``players...``) or
    by a column that asks of a body. Nobody reads them, and pain may stand in them.
    """
    found: list[Path] = []
    for path in filter(Path.exists, paths):
        folder = path if path.is_dir() else path.parent
        for roster in _rosters_in(folder, deep=path.is_dir(), like=like):
            if not any(_same_file(roster, other) for other in found):
                found.append(roster)
    return found


def _rosters_in(folder: Path, *, deep: bool, like: bool = False) -> list[Path]:
    """Rosters of a folder (and those below it), however capitalised: its own first, the plain name before others.

    With `like` the files named like one instead.
    """
    found = []
    for place, folders, names in os.walk(folder):
        folders[:] = sorted(name for name in folders if deep and name[0] not in "._")
        if RESULTS_MARK in names:
            folders.clear()
            continue
        rosters = sorted(
            (
                name
                for name in names
                if (_like_roster(Path(place, name)) if like else name.lower() == ROSTER_FILE)
            ),
            key=lambda name: name != ROSTER_FILE,
        )
        found += [Path(place, name) for name in rosters]
    return found


def _marks_in(folder: Path, *, deep: bool) -> list[Path]:
    found = []
    for place, folders, names in os.walk(folder):
        folders[:] = sorted(name for name in folders if deep and name[0] not in "._")
        if RESULTS_MARK in names:
            folders.clear()
            continue
        found += [Path(place, name) for name in sorted(names) if name.lower() == MARKS_FILE]
    return found


def _like_roster(path: Path) -> bool:
    """Whether a file may be a roster that nobody reads: by its name, or by what its columns ask of a body."""
    name = path.name.lower()
    if name == ROSTER_FILE or name[0] in "._" or name.startswith("readme"):
        return False
    if name.startswith(_ROSTER_BEGINS) or (name.startswith(_LISTS_BEGIN) and name.endswith(_SHEETS)):
        return True
    return name.endswith(_TEXTS) and _asks_of_a_body(path)


def _asks_of_a_body(path: Path) -> bool:
    try:
        if not stat.S_ISREG(path.stat().st_mode):  # a pipe would never end
            return False
        with path.open("rb") as stream:
            head = stream.read(_HEAD_BYTES).decode("utf-8-sig", "replace")
    except OSError:
        return False
    columns = {
        cell.strip(" \"'").casefold() for cell in re.split(r"[,;\t]", head.partition("\n")[0].rstrip("\r"))
    }
    return bool(columns & _OF_A_BODY) and "t_s" not in columns


def _walk(folder: Path) -> Iterator[Path]:
    for place, folders, names in os.walk(folder):
        if RESULTS_MARK in names:
            folders.clear()
            continue
        folders[:] = sorted(name for name in folders if name[0] not in "._")
        for name in sorted(names):
            path = Path(place, name)
            passed_over = name[0] in "._" or name.lower().startswith(("readme", _ROSTER_BEGINS))
            if not passed_over and name.lower() != MARKS_FILE and not _like_roster(path):
                yield path


def _add(path: Path, found: SeasonFiles, *, named: bool) -> None:
    def refuse(code: str, expected: str, what: str) -> None:
        found.problems.append(file_problem(str(path), code, expected, what))

    if not is_utf8(path):
        found.problems.append(bad_name(path))
        return None
    if not named and not path.name.lower().endswith(SEASON_SUFFIXES):
        return refuse("not-a-season-file", ", ".join(SEASON_SUFFIXES), path.suffix or "no suffix")
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            return refuse("not-a-file", "a regular file", "a pipe, device or socket")
        with path.open("rb") as stream:
            head = stream.read(4096)
    except OSError as error:
        return refuse("unreadable", "a file that may be read", error.strerror or str(error))
    if not head:
        return refuse("empty-file", "a table", "0 bytes")
    for magic, kind in _MAGIC.items():
        if head.startswith(magic):
            found.files.append((path, kind))
            return None
    if path.suffix.lower() == ".parquet":
        return refuse("damaged-file", "a Parquet file", "another beginning")
    for magic, what in _OTHER_MAGIC.items():
        if head.startswith(magic):
            return refuse("not-a-table", "CSV or Parquet", what)
    if head.startswith(_UTF16_MARKS):
        return refuse("not-utf-8", "UTF-8", "UTF-16")
    if b"\0" in head:
        return refuse("not-a-table", "CSV or Parquet", "a binary file")
    found.files.append((path, "csv"))
    return None
