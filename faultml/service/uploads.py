"""A season's upload onto the disk: under names of our own, by what the files are and never by what they are called."""

from __future__ import annotations

import errno
import shutil
from pathlib import Path
from typing import BinaryIO, Final

from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request

from faultml.recordings.files import ROSTER_FILE, find_files
from faultml.recordings.roster import read_roster
from faultml.service.bodies import PARQUET, unknown_type
from faultml.service.pool import Pool
from faultml.service.problems import MAX_ERRORS, Refusal
from faultml.service.settings import Limits

CSV: Final = ("text/csv", "application/gzip")
MULTIPART: Final = "multipart/form-data"
TYPES: Final = (*PARQUET, *CSV, MULTIPART)
SEASON_PART, ROSTER_PART = "season", "roster"
SEASON_FOLDER: Final = "season"

_SUFFIXES: Final = {b"PAR1": ".parquet", b"\x1f\x8b": ".csv.gz"}
_COPY_BYTES: Final = 1 << 20
_MAX_FIELDS: Final = 10
"""Parts that are no files: each is refused by its name."""
_NO_ROOM_S: Final = 60.0
_TOO_MANY: Final = "Too many files"
"""How the reader of forms says so; it has no code for it."""


async def store_upload(request: Request, folder: Path, limits: Limits, disk: Pool) -> None:
    """Write a request's files into ``season/`` of a folder.

    Raises
    ------
    Refusal
        503 where the disk is full, 415 for another media type, 400 for a broken form, 422 for parts that are not asked
        for, too many files or a file that is no table.
    """
    season = folder / SEASON_FOLDER
    season.mkdir(mode=0o700)
    try:
        await _store(request, season, limits, disk)
        await disk.run(_check, season)
    except OSError as error:
        raise _no_room(error) from error


async def _store(request: Request, season: Path, limits: Limits, disk: Pool) -> None:
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind == MULTIPART:
        await _store_form(request, season, limits, disk)
    elif kind in TYPES:
        part = season.parent / "arriving"
        with part.open("wb") as file:
            async for chunk in request.stream():
                await disk.run(file.write, chunk)
        part.rename(season / _name(part, 1))
    else:
        raise unknown_type(TYPES)


def _no_room(error: OSError) -> Refusal:
    if error.errno not in (errno.ENOSPC, errno.EDQUOT, errno.EMFILE, errno.ENFILE):
        raise error
    return Refusal(503, "no-room", "There is no room for an upload on this machine now.", retry_s=_NO_ROOM_S)


async def _store_form(request: Request, season: Path, limits: Limits, disk: Pool) -> None:
    try:
        await request.form(max_files=limits.max_upload_files, max_fields=_MAX_FIELDS)
    except HTTPException as error:
        if not str(error.detail).startswith(_TOO_MANY):
            raise
        errors = [("body", f"/{SEASON_PART}", f"at most {limits.max_upload_files} files")]
        raise Refusal(422, "too-many-files", "Too many files in one upload.", errors=errors) from error
    async with request.form() as form:
        errors = [
            ("body", f"/{name[:50]}", f"a file, as {SEASON_PART} or {ROSTER_PART}")
            for name, value in form.multi_items()
            if name not in (SEASON_PART, ROSTER_PART) or not isinstance(value, UploadFile)
        ]
        if len(form.getlist(ROSTER_PART)) > 1:
            errors.append(("body", f"/{ROSTER_PART}", "one roster"))
        if SEASON_PART not in form:
            errors.append(("body", f"/{SEASON_PART}", "a file at least"))
        if errors:
            raise Refusal(422, "invalid", "The form is not as described.", errors=errors[:MAX_ERRORS])
        for number, value in enumerate(form.getlist(SEASON_PART), 1):
            part = season.parent / "arriving"
            await disk.run(_copy, value.file, part)  # type: ignore[union-attr]
            part.rename(season / _name(part, number))
        for value in form.getlist(ROSTER_PART):
            await disk.run(_copy, value.file, season / ROSTER_FILE)  # type: ignore[union-attr]


def _copy(source: BinaryIO, target: Path) -> None:
    with target.open("wb") as file:
        shutil.copyfileobj(source, file, _COPY_BYTES)


def _name(file: Path, number: int) -> str:
    with file.open("rb") as stream:
        head = stream.read(4)
    return f"file-{number}" + next(
        (end for magic, end in _SUFFIXES.items() if head.startswith(magic)), ".csv"
    )


def _check(season: Path) -> None:
    """Refuse at once what cannot be a season; the worker reads it in earnest."""
    found = find_files([season])
    if not found.files:
        errors = [
            ("body", "", f"{Path(problem.file).name}: expected {problem.expected}, found {problem.found}")
            for problem in found.problems[:MAX_ERRORS]
        ]
        raise Refusal(422, "no-season", "No file of it is a season table.", errors=errors)
    roster = season / ROSTER_FILE
    read = read_roster(roster if roster.exists() else None)
    if read.unreadable:
        # What was found there may be about somebody's body.
        wrong = [
            ("body", f"/{ROSTER_PART}", f"{problem.code}: expected {problem.expected}")
            for problem in read.problems
        ]
        raise Refusal(422, "no-roster", "The roster is not a roster's table.", errors=wrong[-MAX_ERRORS:])
