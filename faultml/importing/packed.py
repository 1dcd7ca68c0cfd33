"""A season's files in a zip archive: unpacked into a folder that goes away again, within limits."""

from __future__ import annotations

import stat
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path, PurePosixPath
from typing import Final, NamedTuple

from faultml.errors import InputError
from faultml.recordings.files import unpack_limit_bytes
from faultml.recordings.problems import Problem, file_problem, shorten

MAX_FILES: Final = 200_000
_MAGIC: Final = b"PK\x03\x04"
_SPREADSHEET: Final = "[Content_Types].xml"
_CHUNK_BYTES: Final = 1 << 20


class Unpacked(NamedTuple):
    """A file of an archive: the name it is reported by, ``ARCHIVE/FOLDER/NAME``, and where its content lies."""

    shown: Path
    content: Path


def is_archive(path: Path) -> bool:
    """Whether a file is a zip archive of files, and not a spreadsheet, which is packed in the same way."""
    with path.open("rb") as stream:
        if stream.read(4) != _MAGIC:
            return False
    try:
        with zipfile.ZipFile(path) as archive:
            return _SPREADSHEET not in archive.NameToInfo
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError):
        return False


def check_listing(members: Sequence[zipfile.ZipInfo], limit_bytes: int, max_files: int) -> None:
    """Raise ``unpacks-too-far`` where an archive lists more, or larger, files than it may hold."""
    stated = sum(member.file_size for member in members)
    if len(members) > max_files or stated > limit_bytes:
        raise InputError(
            "unpacks-too-far",
            expected=f"at most {limit_bytes:,} bytes in {max_files:,} files",
            found=f"{stated:,} in {len(members):,}",
        )


def unpack(path: Path, folder: Path) -> Iterator[Unpacked | Problem]:
    """The files of an archive, in the order of names, but for hidden ones; what cannot be unpacked is a problem.

    Nothing is written outside of `folder`, and no links are made. Archives inside stay packed.

    Raises
    ------
    InputError
        ``unpacks-too-far``, ``damaged-file``.
    """
    limit, total = unpack_limit_bytes(path.stat().st_size), 0
    try:
        with zipfile.ZipFile(path) as archive:
            members = sorted(archive.infolist(), key=lambda member: member.filename)
            check_listing(members, limit, MAX_FILES)
            for member in members:
                name = PurePosixPath(member.filename)
                if member.is_dir() or any(part[0] in "._" for part in name.parts if part not in ("/", "..")):
                    continue
                shown = path / "/".join(part for part in name.parts if part not in ("/", ".."))
                reason = _refused(member, name)
                if reason:
                    yield file_problem(str(shown), "not-unpacked", "a plain file", reason)
                    continue
                content = folder.joinpath(*name.parts)
                content.parent.mkdir(parents=True, exist_ok=True)
                with archive.open(member) as packed, content.open("xb") as sink:
                    while chunk := packed.read(_CHUNK_BYTES):
                        total += len(chunk)
                        if total > limit:
                            raise InputError(
                                "unpacks-too-far", expected=f"at most {limit:,} bytes unpacked", found="more"
                            )
                        sink.write(chunk)
                yield Unpacked(shown, content)
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError, ValueError, NotImplementedError) as error:
        raise InputError("damaged-file", expected="a whole zip archive", found=shorten(error)) from error


def _refused(member: zipfile.ZipInfo, name: PurePosixPath) -> str:
    """Why a file is not unpacked, else ""."""
    if (
        name.is_absolute()
        or ".." in name.parts
        or "\\" in member.filename
        or not member.filename.isprintable()
    ):
        return "a name that leads elsewhere"
    if stat.S_ISLNK(member.external_attr >> 16):
        return "a link"
    return "an encrypted file" if member.flag_bits & 1 else ""
