"""A private folder for uploads and their results, gone when the server ends, in whatever way it does."""

from __future__ import annotations

import os
import secrets
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from faultml.errors import InputError
from faultml.results.folders import hold_lock, is_held

PREFIX: Final = "faultml-serve-"


@contextmanager
def open_spool(place: Path | None = None) -> Iterator[Path]:
    """A new folder that only its owner may enter; what servers that were killed have left is removed first.

    Parameters
    ----------
    place
        Where; by default the system's folder for temporary files.

    Raises
    ------
    InputError
        ``not-writable``.
    """
    place = Path(place or tempfile.gettempdir())
    try:
        place.mkdir(parents=True, exist_ok=True)
        _clear(place)
        folder = Path(tempfile.mkdtemp(prefix=PREFIX, dir=place))  # mode 0700
    except OSError as error:
        raise InputError("not-writable", where=str(place), found=error.strerror or str(error)) from error
    lock = hold_lock(folder)
    try:
        yield folder
    finally:
        if lock is not None:
            os.close(lock)
        shutil.rmtree(folder, ignore_errors=True)


def new_folder(spool: Path) -> Path:
    """A folder for one upload, under a name of our own that cannot be guessed."""
    folder = spool / secrets.token_urlsafe(18)
    folder.mkdir(mode=0o700)
    return folder


def _clear(place: Path) -> None:
    for folder in place.glob(f"{PREFIX}*"):
        ours = not folder.is_symlink() and folder.is_dir() and _mine(folder)
        if ours and not is_held(folder):
            shutil.rmtree(folder, ignore_errors=True)


def _mine(folder: Path) -> bool:
    return not hasattr(os, "getuid") or folder.stat().st_uid == os.getuid()
