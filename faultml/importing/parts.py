"""An import in parts: what a killed one had read is kept beside the season, and the next one goes on from there."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import msgspec
import numpy as np

from faultml.importing.importer import ImportRun
from faultml.importing.swings import Counts
from faultml.recordings.problems import Problem
from faultml.results.folders import PRIVATE_FOLDER, hold_lock, is_held

PART_FILES: Final = 2000
PART_BYTES: Final = 500_000_000
"""A part ends with the file that reaches either."""

SWINGS_FILE: Final = "season.parquet"
PROBLEMS_FILE: Final = "problems.csv"
CUTS_FILE: Final = "cuts.csv"
_MET_FILE: Final = "met.npy"
_STATE_FILE: Final = "part.json"


@dataclass(frozen=True)
class Part:
    """Files that are read together: their number in the import, and a digest of them and all else that counts."""

    number: int
    paths: tuple[Path, ...]
    digest: str


@dataclass
class Kept:
    """What a part has left besides its files: counts of all parts so far, and hashes of its own ids."""

    run: ImportRun
    counts: Counts
    met: set[int]


class _State(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    digest: str
    n_files: int
    n_swings: int
    n_written: int
    n_sound: int
    n_shocks: int
    n_problems: int
    players: list[str]
    findings: dict[str, int]
    unread: list[Problem]
    counts: list[tuple[str, str, int]]
    left_out: dict[str, int]


def divide(paths: Sequence[Path], contents: dict[Path, Path], inputs: str) -> list[Part]:
    """The files in parts; `inputs` is a digest of what the result depends on besides them."""
    parts: list[Part] = []
    own: list[Path] = []
    digest, n_bytes = hashlib.sha256(inputs.encode()), 0
    for path in paths:
        entry = contents.get(path, path).stat()
        # The content of an archive is unpacked anew, with new times.
        changed = 0 if path in contents else entry.st_mtime_ns
        digest.update(f"{path}\0{entry.st_size}\0{changed}\0".encode())
        own.append(path)
        n_bytes += entry.st_size
        if len(own) >= PART_FILES or n_bytes >= PART_BYTES:
            parts.append(Part(len(parts), tuple(own), digest.hexdigest()))
            own, n_bytes = [], 0
    if own or not parts:
        parts.append(Part(len(parts), tuple(own), digest.hexdigest()))
    return parts


class PartStore:
    """The folder of parts: hidden beside the season where there are several, else within the new season."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def place(self, part: Part) -> Path:
        """The folder of one part."""
        return self.folder / f"{part.number:06d}"

    def load(self, part: Part) -> Kept | None:
        """A part that was read before from the same files; None where it has to be read."""
        place = self.place(part)
        try:
            state = msgspec.json.decode((place / _STATE_FILE).read_bytes(), type=_State)
            met = set(np.load(place / _MET_FILE).tolist())
        except (OSError, ValueError, msgspec.DecodeError):
            return None
        if state.digest != part.digest:
            return None
        run = ImportRun(
            state.n_files,
            state.n_swings,
            state.n_written,
            state.n_sound,
            state.n_shocks,
            state.n_problems,
            set(state.players),
            Counter(state.findings),
            list(state.unread),
            Counter(state.left_out),
        )
        counts = Counter({(player, session): count for player, session, count in state.counts})
        return Kept(run, counts, met)

    @contextmanager
    def writing(self, part: Part) -> Iterator[Path]:
        """A new folder for a part; it is a part only once `keep` has named it so."""
        place = self.place(part)
        shutil.rmtree(place, ignore_errors=True)
        place.mkdir(parents=True)
        yield place

    def keep(self, part: Part, kept: Kept) -> None:
        """Say that a part is complete; written last and at once, so that a killed import leaves no half of one."""
        run, place = kept.run, self.place(part)
        np.save(place / _MET_FILE, np.array(sorted(kept.met), dtype=np.uint64))
        state = _State(
            part.digest,
            run.n_files,
            run.n_swings,
            run.n_written,
            run.n_sound,
            run.n_shocks,
            run.n_problems,
            sorted(run.players),
            dict(run.findings),
            run.unread,
            [(player, session, count) for (player, session), count in kept.counts.items()],
            dict(run.left_out),
        )
        waiting = place / f".{_STATE_FILE}"
        waiting.write_bytes(msgspec.json.encode(state))
        waiting.replace(place / _STATE_FILE)


@contextmanager
def part_store(out: Path, new: Path, several: bool) -> Iterator[PartStore]:
    """The store of an import into `out` that grows in the folder `new`.

    With several parts it stays behind when the import ends in whatever way but by itself.
    """
    inside = new / ".parts"
    beside = out.resolve().parent / f".{out.resolve().name}.importing"
    if not several or (beside.exists() and is_held(beside)):
        yield PartStore(inside)
        shutil.rmtree(inside, ignore_errors=True)
        return
    beside.mkdir(PRIVATE_FOLDER, exist_ok=True)
    lock = hold_lock(beside)
    try:
        yield PartStore(beside)
        shutil.rmtree(beside, ignore_errors=True)
    finally:
        if lock is not None:
            os.close(lock)


def inputs_digest(*inputs: object) -> str:
    """A digest of what an import depends on besides its files: plain values and bytes."""
    digest = hashlib.sha256()
    for value in inputs:
        digest.update(value if isinstance(value, bytes) else json.dumps(value, sort_keys=True).encode())
        digest.update(b"\0")
    return digest.hexdigest()
