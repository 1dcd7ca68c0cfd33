"""Reading the coaching rules: TOML files of this package, each checked against its types."""

from __future__ import annotations

import hashlib
from importlib import resources
from typing import TypeVar

import msgspec

from faultml.errors import CatalogueError


class Record(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Base of everything read from a rules file: no unknown field is let through, nothing changes later."""


Kind = TypeVar("Kind", bound=Record)


def decode(text: str, where: str, kind: type[Kind]) -> Kind:
    """Read TOML text as `kind`; raises `CatalogueError` naming the place where it does not fit."""
    try:
        return msgspec.toml.decode(text, type=kind)
    except msgspec.MsgspecError as error:
        raise CatalogueError(
            "bad-rules", where=where, expected=f"the schema of {kind.__name__}", found=str(error)
        ) from error


def load_data(name: str, kind: type[Kind]) -> Kind:
    """The package's own file `name`, e.g. ``"rules.toml"``, as `kind`."""
    return decode(resources.files(__package__).joinpath(name).read_text(encoding="utf-8"), name, kind)


def digest(*content: Record) -> str:
    """SHA-256 over the content of rules, for `run.json`."""
    return hashlib.sha256(msgspec.json.encode(content)).hexdigest()
