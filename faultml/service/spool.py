"""The folder for uploads and their results: private, and the same after a server was killed or started anew."""

from __future__ import annotations

import os
import secrets
import stat
from pathlib import Path
from typing import Final

from faultml.errors import InputError
from faultml.store.place import store_path

DEFAULT: Final = "faultml-seasons"
"""Beside the store, so that servers which share a store share their seasons."""
SEASONS_FOLDER: Final = "seasons"


def open_spool(place: Path | None, store: Path | None) -> Path:
    """The folder, which only its owner may enter; made where there is none.

    Parameters
    ----------
    place
        Where; by default `DEFAULT` beside the store, or beside where it would be.
    store
        The coach's store.

    Raises
    ------
    InputError
        ``not-writable``, ``not-private`` where the folder is somebody else's.
    """
    place = Path(place or store_path(store).parent / DEFAULT).absolute()
    try:
        (place / SEASONS_FOLDER).mkdir(parents=True, exist_ok=True)
        found = place.lstat()
        if hasattr(os, "getuid") and (found.st_uid != os.getuid() or stat.S_ISLNK(found.st_mode)):
            raise InputError(
                "not-private", where=str(place), expected="a folder of our own", found="somebody else's"
            )
        place.chmod(0o700)
    except OSError as error:
        raise InputError("not-writable", where=str(place), found=error.strerror or str(error)) from error
    return place


def new_id() -> str:
    """A name for an upload that cannot be guessed."""
    return secrets.token_urlsafe(18)
