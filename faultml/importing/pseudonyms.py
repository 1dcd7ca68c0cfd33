"""Pseudonyms: the table player -> pseudonym that the coach keeps, so that no season holds a name."""

from __future__ import annotations

import csv
import os
import secrets
import tempfile
import unicodedata
from dataclasses import dataclass, field
from io import StringIO
from pathlib import Path
from typing import Final

from faultml.errors import InputError
from faultml.recordings.problems import shorten

COLUMNS: Final = ("player", "pseudonym")
MAX_BYTES: Final = 10_000_000
_LETTERS: Final = "abcdefghjkmnpqrstuvwxyz23456789"
"""Without those that are read as one another."""
_LENGTH: Final = 6


@dataclass
class Pseudonyms:
    """A player's pseudonym, a new one for a new player. It is drawn, so that it tells nothing of the name."""

    path: Path
    _known: dict[str, tuple[str, str]] = field(default_factory=dict)
    """By the name without case and spaces: the name as first written, and the pseudonym."""

    def name(self, player: str) -> str:
        """The pseudonym of a player; names that differ in case, spaces or Unicode form only are one player."""
        key = _folded(player)
        if key not in self._known:
            taken = {pseudonym for _, pseudonym in self._known.values()}
            pseudonym = _draw()
            while pseudonym in taken:
                pseudonym = _draw()
            self._known[key] = (player, pseudonym)
        return self._known[key][1]

    def find(self, player: str) -> tuple[str, str] | None:
        """Name and pseudonym of a player given by either; None where there is no such player."""
        named = self._known.get(_folded(player))
        return named or next((pair for pair in self._known.values() if pair[1] == player), None)

    def drop(self, player: str) -> None:
        """Take a player out, given by name or pseudonym; `save` keeps it so."""
        found = self.find(player)
        if found is not None:
            del self._known[_folded(found[0])]

    def save(self) -> None:
        """Write the table back whole, readable by its owner only."""
        text = StringIO()
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow(COLUMNS)
        writer.writerows(sorted(self._known.values()))
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            handle, name = tempfile.mkstemp(prefix=f".{self.path.name}.", dir=self.path.parent)
        except OSError as error:
            raise InputError("not-writable", where=str(self.path), found=error.strerror or "") from error
        part = Path(name)
        try:
            with os.fdopen(handle, "w", encoding="utf-8", newline="") as stream:
                stream.write(text.getvalue())
                stream.flush()
                os.fsync(stream.fileno())
            part.replace(self.path)
        finally:
            part.unlink(missing_ok=True)


def load_pseudonyms(path: Path) -> Pseudonyms:
    """The table of a file, empty where there is no such file yet.

    Raises
    ------
    InputError
        ``bad-pseudonyms`` where it is not a table of `COLUMNS`, or names a player or a pseudonym twice: a mistake in
        it would give one player's swings to another.
    """
    table = Pseudonyms(path)
    if not path.exists():
        return table

    def bad(found: object) -> InputError:
        return InputError(
            "bad-pseudonyms",
            where=str(path),
            expected="a CSV table player,pseudonym, each once",
            found=shorten(found),
        )

    try:
        if path.stat().st_size > MAX_BYTES:
            raise bad("a larger file")
        rows = list(csv.reader(StringIO(path.read_text(encoding="utf-8-sig")), strict=True))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise bad(error) from error
    if not rows or tuple(rows[0]) != COLUMNS:
        raise bad(",".join(rows[0]) if rows else "an empty file")
    for row in filter(None, rows[1:]):
        if len(row) != len(COLUMNS) or not all(cell.strip() for cell in row):
            raise bad(",".join(row))
        key = _folded(row[0])
        if key in table._known or row[1] in {pseudonym for _, pseudonym in table._known.values()}:
            raise bad(f"twice: {','.join(row)}")
        table._known[key] = (row[0], row[1])
    return table


def _draw() -> str:
    return "p-" + "".join(secrets.choice(_LETTERS) for _ in range(_LENGTH))


def _folded(name: str) -> str:
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())
