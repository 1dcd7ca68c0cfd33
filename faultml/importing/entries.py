"""Which files of a folder are a recorder's, and which entries cannot be read, each with a coded problem."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from faultml.errors import InputError
from faultml.importing.packed import is_archive, unpack
from faultml.recordings.files import MARKS_FILE, RESULTS_MARK, ROSTER_FILE, bad_name, is_utf8
from faultml.recordings.problems import Problem, file_problem, shorten

NOT_RECORDINGS: Final = (".toml",)
"""Suffixes of files that lie beside recordings: layouts and alignments."""

_BESIDE: Final = (ROSTER_FILE, MARKS_FILE)
Identity = tuple[int, int] | str


@dataclass
class Found:
    """The files to read, and what was passed over; of unpacked ones `contents` says where their content lies."""

    paths: list[Path] = field(default_factory=list)
    contents: dict[Path, Path] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)


def find_recordings(paths: Sequence[Path], out: Path | None = None, unpack_into: Path | None = None) -> Found:
    """The files named, and every file of the folders named but for hidden ones, rosters, marks, layouts and results.

    An entry that cannot be read (a link to itself, a name that is not UTF-8, a folder without permission) is a
    problem, and the others are read. A zip archive of files is unpacked into a folder, where one is given.

    Raises
    ------
    InputError
        ``no-such-path``.
    """
    found, seen = Found(), set[Identity]()
    for path in paths:
        if not os.path.lexists(path):
            raise InputError(
                "no-such-path", where=shorten(path), expected="a recorder's file, or a folder of them"
            )
        if not is_utf8(path):
            found.problems.append(bad_name(path))
            continue
        is_folder = _is_folder(path)
        n_before = len(found.problems)
        candidates = _walk(path, out, found) if is_folder else iter([path])
        n_candidates = 0
        for candidate in candidates:
            n_candidates += 1
            _add(candidate, found, seen, unpack_into)
        if not n_candidates and len(found.problems) == n_before:
            found.problems.append(file_problem(str(path), "empty-folder", "a recorder's files", "none"))
    return found


def _is_folder(path: Path) -> bool:
    try:
        return path.is_dir()
    except OSError:
        return False


def _add(path: Path, found: Found, seen: set[Identity], unpack_into: Path | None) -> None:
    if not is_utf8(path):
        found.problems.append(bad_name(path))
        return
    try:
        entry = path.stat()
    except OSError as error:  # a link to itself or to nothing, or no permission
        found.problems.append(_unreadable(path, error))
        return
    if not stat.S_ISREG(entry.st_mode):
        found.problems.append(
            file_problem(str(path), "not-a-file", "a regular file", "a pipe, device or socket")
        )
    elif not entry.st_size:
        found.problems.append(file_problem(str(path), "empty-file", "a table", "0 bytes"))
    elif (identity := _identity(path, entry)) not in seen:
        seen.add(identity)
        if unpack_into is not None and path.suffix.lower() == ".zip" and is_archive(path):
            _unpack(path, found, unpack_into)
        else:
            found.paths.append(path)


def _unpack(path: Path, found: Found, folder: Path) -> None:
    own = folder / str(len(found.contents))
    try:
        for part in unpack(path, own):
            if isinstance(part, Problem):
                found.problems.append(part)
            elif part.shown.name.lower() not in _BESIDE and not part.shown.name.lower().endswith(
                NOT_RECORDINGS
            ):
                found.paths.append(part.shown)
                found.contents[part.shown] = part.content
    except InputError as error:
        found.problems.append(file_problem(str(path), error.code, error.expected, error.found))


def _identity(path: Path, entry: os.stat_result) -> Identity:
    """What is the same for a file and a link to it; hard links are files of their own, as copies are."""
    if entry.st_nlink == 1:  # much faster than to resolve each of many paths
        return entry.st_dev, entry.st_ino
    return str(path.resolve())


def _unreadable(path: Path, error: OSError) -> Problem:
    reason = error.strerror or shorten(error)
    return file_problem(str(path), "unreadable", "a file or folder that may be read", reason)


def _walk(folder: Path, out: Path | None, found: Found) -> Iterator[Path]:
    own = None if out is None else out.resolve()

    def report(error: OSError) -> None:
        found.problems.append(_unreadable(Path(error.filename), error))

    for place, folders, names in os.walk(folder, onerror=report):
        if RESULTS_MARK in names or (own is not None and Path(place).resolve() == own):
            folders.clear()
            continue
        for name in folders:
            if not is_utf8(Path(name)) and name[0] not in "._":
                found.problems.append(bad_name(Path(place, name)))
        folders[:] = sorted(name for name in folders if name[0] not in "._" and is_utf8(Path(name)))
        for name in sorted(names):
            plain_name = name.lower()
            if name[0] not in "._" and plain_name not in _BESIDE and not plain_name.endswith(NOT_RECORDINGS):
                yield Path(place, name)
