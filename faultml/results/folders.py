"""Replace a folder or a file as a whole: the old one stays until the new one is complete.

What is written so is readable by its owner only: it names players and says how they move, and players may be minors.
"""

from __future__ import annotations

import os
import re
import secrets
import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from faultml.errors import InputError

try:
    import fcntl
except ImportError:  # pragma: no cover - not on POSIX: leftovers are then recognised by their age
    fcntl = None  # type: ignore[assignment]

LOCK_FILE: Final = ".lock"
"""Held by the run that fills a folder; the system lets go of it when that run ends, in whatever way."""

SYSTEM_LITTER: Final = frozenset({".DS_Store", "Thumbs.db", "desktop.ini"})
"""Files that an operating system leaves in any folder."""

_STALE_S: Final = 86_400.0
PRIVATE_FOLDER: Final = 0o700
PRIVATE_FILE: Final = 0o600


@contextmanager
def replaced_folder(target: Path, check: Callable[[Path], None]) -> Iterator[Path]:
    """A new folder to fill, which takes the place of `target` when the block ends without an error.

    The new folder grows beside the target under a hidden name. The swap is two renames; a run killed between
    them is put right by the next one, which also clears away what killed runs have left.

    Parameters
    ----------
    target
        The folder to replace or make, with its parents.
    check
        Called with an existing target; raises where it must not be replaced.

    Raises
    ------
    InputError
        ``not-writable`` where the folder cannot be made.
    """
    target = target.resolve()
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        _clear_leftovers(target)
        if target.exists():
            check(target)
        part = target.parent / f".{target.name}.new-{secrets.token_hex(4)}"
        part.mkdir(mode=PRIVATE_FOLDER)
    except OSError as error:
        raise InputError("not-writable", where=str(target), found=error.strerror or str(error)) from error
    lock = hold_lock(part)
    try:
        yield part
        for path in part.rglob("*"):
            make_private(path)
        _swap(part, target)
    finally:
        if lock is not None:
            os.close(lock)
        if part.exists():
            shutil.rmtree(part, ignore_errors=True)


@contextmanager
def replaced_file(target: Path, suffix: str = "") -> Iterator[Path]:
    """A new file to write, which takes the place of `target` when the block ends without an error.

    Parameters
    ----------
    target
        The file to replace or make, with its parents.
    suffix
        How the new file's name ends meanwhile, for writers that go by it.

    Raises
    ------
    InputError
        ``not-writable`` where the file cannot be made.
    """
    part = target.with_name(f".{target.name}.new-{secrets.token_hex(4)}{suffix}")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        try:
            yield part
            make_private(part)
            part.replace(target)
        finally:
            part.unlink(missing_ok=True)
    except OSError as error:
        raise InputError("not-writable", where=str(target), found=error.strerror or str(error)) from error


def make_private(path: Path) -> None:
    """Let nobody but the owner read a file or folder; the folder that it is in is shut to others already."""
    with suppress(PermissionError):  # a part that another account of a cluster has written
        path.chmod(PRIVATE_FOLDER if path.is_dir() else PRIVATE_FILE)


def _swap(part: Path, target: Path) -> None:
    old = target.parent / f".{target.name}.old-{secrets.token_hex(4)}"
    if target.exists():
        target.rename(old)
    try:
        part.rename(target)
    except OSError:
        if old.exists():
            old.rename(target)
        raise
    (target / LOCK_FILE).unlink(missing_ok=True)
    shutil.rmtree(old, ignore_errors=True)


def _clear_leftovers(target: Path) -> None:
    for old in sorted(target.parent.glob(f".{_literal(target.name)}.old-*")):
        if target.exists():
            shutil.rmtree(old, ignore_errors=True)
        else:
            old.rename(target)
    for part in target.parent.glob(f".{_literal(target.name)}.new-*"):
        if not is_held(part):
            shutil.rmtree(part, ignore_errors=True)


def leftover_of(name: str) -> str | None:
    """The file or folder that something unfinished was to replace, by the unfinished one's name; None for any other."""
    found = re.fullmatch(r"\.(.+)\.((new|old)-[0-9a-f]{8}|part)", name)
    return found[1] if found else None


def _literal(name: str) -> str:
    return "".join(f"[{letter}]" if letter in "*?[" else letter for letter in name)


def hold_lock(part: Path) -> int | None:
    """Mark a folder as in use until the handle is closed, or this process ends; None where that cannot be done."""
    if fcntl is None:
        return None
    handle = os.open(part / LOCK_FILE, os.O_CREAT | os.O_RDWR, 0o600)
    fcntl.flock(handle, fcntl.LOCK_EX)
    return handle


def is_held(part: Path) -> bool:
    """Whether a folder with such a mark is in use."""
    lock = part / LOCK_FILE
    if fcntl is None or not lock.exists():
        return time.time() - part.stat().st_mtime < (_STALE_S if fcntl is None else 1.0)
    handle = os.open(lock, os.O_RDWR)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return True
    finally:
        os.close(handle)
    return False
