"""Files that were dropped: kept under names of our own making until they are read in."""

from __future__ import annotations

import secrets
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from faultml.desk.folder import DeskFolder
from faultml.errors import InputError
from faultml.recordings.files import ROSTER_FILE
from faultml.recordings.problems import Problem
from faultml.recordings.roster import read_roster
from faultml.results.folders import replaced_file

MAX_NAME: Final = 120


@dataclass(frozen=True)
class Drop:
    """Files that came together.

    Attributes
    ----------
    folder
        Where they lie.
    """

    folder: Path

    @property
    def files(self) -> list[Path]:
        """The files, in the order of names."""
        return sorted(path for path in self.folder.iterdir() if path.is_file())

    def place(self, name: str) -> Path:
        """Where a file of that name goes. The name is a name here and never a path; a second one gets a number."""
        plain = safe_name(name)
        target = self.folder / plain
        number = 2
        while target.exists():
            target = self.folder / f"{Path(plain).stem} ({number}){Path(plain).suffix}"
            number += 1
        return target

    def discard(self) -> None:
        """Remove the files."""
        shutil.rmtree(self.folder, ignore_errors=True)


def new_drop(folder: DeskFolder) -> Drop:
    """A place for files that are coming."""
    return _place(folder.incoming)


def practice_drop(folder: DeskFolder) -> Drop:
    """A place for a recording of practice that a page replays."""
    return _place(folder.practice)


def _place(within: Path) -> Drop:
    place = within / secrets.token_hex(6)
    place.mkdir(mode=0o700)
    return Drop(place)


def waiting_drops(folder: DeskFolder) -> list[Drop]:
    """What was dropped earlier and neither read in nor discarded, the latest first."""
    places = [path for path in folder.incoming.iterdir() if path.is_dir() and any(path.iterdir())]
    ours = [path for path in places if not path.name.endswith("-season") and path.name[0] != "."]
    return [Drop(path) for path in sorted(ours, key=lambda path: path.stat().st_mtime, reverse=True)]


def safe_name(name: str) -> str:
    """The last part of a name as it was sent, without what no file should be called."""
    last = name.replace("\\", "/").rpartition("/")[2]
    plain = "".join(letter for letter in last if letter.isprintable() and letter not in '<>:"|?*').strip(" .")
    plain = plain.lstrip("._") or "file"
    stem, dot, suffix = plain.rpartition(".")
    return f"{stem[: MAX_NAME - len(suffix)]}.{suffix}" if dot and len(suffix) <= 10 else plain[:MAX_NAME]


def take_roster(folder: DeskFolder, file: Path) -> list[Problem]:
    """Put a roster beside the season, in the place of the former one; what is wrong in its rows.

    Raises
    ------
    InputError
        ``bad-roster`` where it cannot be read: the former one stays.
    """
    read = read_roster(file)
    if read.unreadable:
        problem = read.problems[-1]
        raise InputError("bad-roster", where=ROSTER_FILE, expected=problem.expected, found=problem.found)
    with replaced_file(folder.roster) as part:
        shutil.copyfile(file, part)
    file.unlink()
    return read.problems
