"""The folder beside the results in which a run keeps its parts, so that the next run goes on where one was killed."""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from faultml.errors import InputError
from faultml.results.folders import LOCK_FILE, PRIVATE_FOLDER, hold_lock, is_held
from faultml.season.parts import PART_FILE


def parts_folder(out: Path) -> Path:
    """Where a run into `out` keeps its parts until the results are complete."""
    out = out.resolve()
    return out.parent / f".{out.name}.parts"


@contextmanager
def workplace(out: Path) -> Iterator[Path]:
    """The folder of parts, for this run alone; it is removed when the block ends without an error.

    A run that ends early, in whatever way, leaves its parts for the next run into the same results. Where another run
    is at work in it, this one has a folder of its own, which is always removed.

    Raises
    ------
    InputError
        ``not-writable`` where it cannot be made.
    """
    folder = parts_folder(out)
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        shared = folder.is_dir() and (folder / LOCK_FILE).exists() and is_held(folder)
        if shared:
            folder = folder.with_name(f"{folder.name}-{secrets.token_hex(4)}")
        folder.mkdir(mode=PRIVATE_FOLDER, exist_ok=True)
    except OSError as error:
        raise InputError("not-writable", where=str(folder), found=error.strerror or str(error)) from error
    lock = hold_lock(folder)
    kept = not shared
    try:
        yield folder
        kept = False
    finally:
        if lock is not None:
            os.close(lock)
        if not kept or not any(folder.glob(f"*/{PART_FILE}")):
            shutil.rmtree(folder, ignore_errors=True)
