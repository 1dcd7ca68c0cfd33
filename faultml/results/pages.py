"""Files of the report's pages, one a player: their names, and whether a folder holds nothing else."""

from __future__ import annotations

import hashlib
import re
import shutil
from pathlib import Path
from typing import Final

from faultml.errors import InputError
from faultml.results.folders import LOCK_FILE, SYSTEM_LITTER

PAGES_FOLDER: Final = "players"
"""Beside the report: a page a player."""

_SLUG_LENGTH: Final = 40
_HASH_LENGTH: Final = 16
_PAGE: Final = re.compile(rf"[a-z0-9-]{{1,{_SLUG_LENGTH}}}-[0-9a-f]{{{_HASH_LENGTH}}}\.html")


def page_name(player: str) -> str:
    """File of a player's page: letters and digits of the name, and a hash of all of it.

    The name itself is never a path. Two players never share a file, also where a file system ignores case.
    """
    slug = re.sub(r"[^a-z0-9]+", "-", player.lower()).strip("-")[:_SLUG_LENGTH].strip("-") or "player"
    digest = hashlib.sha256(player.encode("utf-8", "surrogatepass")).hexdigest()
    return f"{slug}-{digest[:_HASH_LENGTH]}.html"


def check_pages(folder: Path) -> None:
    """Raise unless a folder holds nothing but pages of ours.

    Raises
    ------
    InputError
        ``not-a-pages-folder``.
    """
    names = {path.name for path in folder.iterdir()} if folder.is_dir() else {folder.name}
    allowed = {LOCK_FILE, *SYSTEM_LITTER}
    strangers = sorted(name for name in names - allowed if not _PAGE.fullmatch(name))
    if strangers or not folder.is_dir():
        raise InputError(
            "not-a-pages-folder",
            where=str(folder),
            expected="a folder that holds nothing but pages of the report",
            found=", ".join(strangers[:5]),
        )


def remove_pages(results: Path) -> None:
    """Remove the players' pages from a results folder, where there are any.

    Raises
    ------
    InputError
        ``not-a-pages-folder`` where it holds something else.
    """
    folder = results / PAGES_FOLDER
    if folder.exists():
        check_pages(folder)
        shutil.rmtree(folder)
