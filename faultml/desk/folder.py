"""The folder that a desk keeps everything in, and the few things that it remembers itself (``desk.json``)."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Final

import msgspec

from faultml.errors import InputError
from faultml.results.folders import replaced_file
from faultml.store.place import DEFAULT

SETTINGS_FILE: Final = "desk.json"


class Adaptation(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What was learned from a coach's verdicts: its folder below ``coaches/``, whose verdicts, and when."""

    folder: str
    coach: str
    learned: str


class Remembered(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What a desk remembers between two runs.

    Attributes
    ----------
    coach
        Who gives verdicts here; "" until somebody has said so.
    learned
        Every adaptation that was learned here, in the order of time.
    used
        Folders of adaptations in the order in which they were adopted; the last one is in use, none where empty.
    """

    coach: str = ""
    learned: tuple[Adaptation, ...] = ()
    used: tuple[str, ...] = ()


class DeskFolder:
    """Where a desk's things lie. The names are those that the commands use by default, so that both see the same.

    Attributes
    ----------
    root
        The folder itself.
    """

    def __init__(self, root: Path) -> None:
        self.root = root.absolute()

    @property
    def season(self) -> Path:
        """Recordings: a folder for each import, with ``roster.csv`` beside them."""
        return self.root / "season"

    @property
    def roster(self) -> Path:
        """The roster."""
        return self.season / "roster.csv"

    @property
    def results(self) -> Path:
        """What ``classify`` leaves."""
        return self.root / "results"

    @property
    def store(self) -> Path:
        """The coach's store, under the name that commands look for in their folder."""
        return self.root / DEFAULT

    @property
    def layouts(self) -> Path:
        """Layouts of recorders."""
        return self.root / "layouts"

    @property
    def coaches(self) -> Path:
        """Adaptations to a coach, a folder each."""
        return self.root / "coaches"

    @property
    def incoming(self) -> Path:
        """Files that were dropped and are not read in yet; a folder for each drop."""
        return self.root / ".incoming"

    @property
    def practice(self) -> Path:
        """Recordings of practice that are replayed: a folder for each page that has one."""
        return self.root / ".practice"

    @property
    def jobs(self) -> Path:
        """Long work: a file for each job."""
        return self.root / ".jobs"

    def make(self) -> None:
        """Make the folder and those that are written to.

        Raises
        ------
        InputError
            ``not-writable``.
        """
        try:
            for folder in (
                self.root,
                self.season,
                self.layouts,
                self.coaches,
                self.incoming,
                self.practice,
                self.jobs,
            ):
                folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(
                "not-writable",
                where=str(self.root),
                expected="a folder for the desk",
                found=error.strerror or "",
            ) from error

    def recall(self) -> Remembered:
        """What the desk remembers; nothing where there is no such file yet.

        Raises
        ------
        InputError
            ``bad-desk`` where the file cannot be read.
        """
        path = self.root / SETTINGS_FILE
        try:
            return msgspec.json.decode(path.read_bytes(), type=Remembered)
        except FileNotFoundError:
            return Remembered()
        except (OSError, msgspec.MsgspecError) as error:
            raise InputError(
                "bad-desk", where=str(path), expected="what the desk wrote", found=str(error)
            ) from error

    def remember(self, change: Callable[[Remembered], Remembered]) -> Remembered:
        """Change what is remembered, whole or not at all; `change` gets what is there now."""
        changed = change(self.recall())
        with replaced_file(self.root / SETTINGS_FILE) as part:
            part.write_bytes(msgspec.json.format(msgspec.json.encode(changed)) + b"\n")
        return changed

    def stamp(self) -> tuple[tuple[int, int], ...]:
        """Changes whenever a command or another page has changed the store, the results, the roster or a job."""
        watched = [self.store, Path(f"{self.store}-wal"), self.results / "run.json", self.roster, self.jobs]
        return tuple(_mark(path) for path in watched)


def _mark(path: Path) -> tuple[int, int]:
    try:
        stat = path.stat()
    except OSError:
        return 0, 0
    return stat.st_mtime_ns, stat.st_size
