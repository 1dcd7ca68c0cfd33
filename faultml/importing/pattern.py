"""File-name patterns such as ``{player}/{session}_{swing}.csv``: plain text with fields, none of which becomes a
regular expression, so that none can hang.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Final

from faultml.errors import InputError
from faultml.recordings.problems import shorten

FIELDS: Final = ("player", "session", "swing", "any")
MAX_PATTERN_LETTERS: Final = 500
_DATE: Final = re.compile(r"(?<!\d)(\d{4})-(\d\d)-(\d\d)(?!\d)")
_DATE_HYPHEN: Final = "\ud800"
"""Stands in a date for its hyphen while a name is read; a name decoded by the system never holds it."""


@dataclass(frozen=True)
class NamePattern:
    """A pattern taken apart: ``texts[0] fields[0] texts[1] fields[1] ... texts[-1]``.

    A field is one letter or more and never reaches over a folder. The pattern fits the end of a path, from the start
    of a folder's or the file's name.
    """

    texts: tuple[str, ...]
    fields: tuple[str, ...]

    def read(self, path: Path) -> dict[str, str]:
        """The fields of a file's name.

        Raises
        ------
        InputError
            ``name-differs`` where the name does not fit, or fits in more than one way.
        """
        depth = sum(text.count("/") for text in self.texts) + 1
        name = "/".join(path.parts[-depth:])
        # A date is one word, whose hyphens part no fields, unless the pattern itself holds a part of it.
        first, last = _both_ways(_with_whole_dates(name), tuple(map(_with_whole_dates, self.texts)))
        if first is None or last is None:
            first, last = _both_ways(name, self.texts)
        if first is None or last is None:
            raise self._differs("another name", name)
        if first != last:
            raise self._differs("a name that fits in two ways", name)
        read = {
            field: value.replace(_DATE_HYPHEN, "-") for field, value in zip(self.fields, first, strict=True)
        }
        read.pop("any", None)
        return read

    def _differs(self, what: str, name: str) -> InputError:
        return InputError("name-differs", expected=f"a name like {self}", found=f"{what}: {shorten(name)}")

    def __str__(self) -> str:
        return self.texts[0] + "".join(
            f"{{{field}}}{text}" for field, text in zip(self.fields, self.texts[1:], strict=True)
        )


@lru_cache(maxsize=64)
def parse_pattern(pattern: str) -> NamePattern:
    """Take a pattern apart.

    Raises
    ------
    InputError
        ``bad-pattern`` for an unknown or repeated field, fields without text between them, or an open brace.
    """

    def bad(expected: str, found: str) -> InputError:
        return InputError("bad-pattern", expected=expected, found=shorten(found))

    if len(pattern) > MAX_PATTERN_LETTERS:
        raise bad(f"at most {MAX_PATTERN_LETTERS} letters", f"{len(pattern)}")
    texts, fields = [""], []
    for at, piece in enumerate(pattern.split("{")):
        if at:
            field, closed, piece = piece.partition("}")
            if not closed or field not in FIELDS:
                raise bad("{player}, {session}, {swing} or {any}", "{" + field)
            fields.append(field)
            texts.append("")
        texts[-1] = piece
    named = [field for field in fields if field != "any"]
    if len(set(named)) < len(named) or not named:
        raise bad("player, session or swing, each once", pattern)
    if "" in texts[1:-1]:
        raise bad("text between two fields", pattern)
    return NamePattern(tuple(texts), tuple(fields))


def _both_ways(name: str, texts: tuple[str, ...]) -> tuple[list[str] | None, list[str] | None]:
    return _fields(name, texts), _fields_from_end(name, texts)


def _with_whole_dates(text: str) -> str:
    return _DATE.sub(_DATE_HYPHEN.join((r"\1", r"\2", r"\3")), text)


def _fields(name: str, texts: tuple[str, ...]) -> list[str] | None:
    """What stands between the texts, each field as short as it can be from the front."""
    if not name.startswith(texts[0]) or not name.endswith(texts[-1]):
        return None
    return list(_between(name, texts)) if _fits(list(_between(name, texts)), len(texts) - 1) else None


def _between(name: str, texts: tuple[str, ...]) -> Iterator[str]:
    start, stop = len(texts[0]), len(name) - len(texts[-1])
    for text in texts[1:-1]:
        end = name.find(text, start + 1, stop)
        if end < 0:
            return
        yield name[start:end]
        start = end + len(text)
    yield name[start:stop]


def _fits(read: list[str], count: int) -> bool:
    return len(read) == count and all(field and "/" not in field for field in read)


def _fields_from_end(name: str, texts: tuple[str, ...]) -> list[str] | None:
    """As `_fields`, each field as short as it can be from the back."""
    turned = _fields(name[::-1], tuple(text[::-1] for text in reversed(texts)))
    return None if turned is None else [field[::-1] for field in reversed(turned)]
