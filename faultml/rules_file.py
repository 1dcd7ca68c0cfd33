"""Rules and words are data: TOML files of the package, each checked against its types when it is read."""

from __future__ import annotations

import hashlib
from importlib import resources
from typing import Annotated, TypeVar

import msgspec

from faultml.errors import CatalogueError

Share = Annotated[float, msgspec.Meta(ge=0, le=1)]
InnerShare = Annotated[float, msgspec.Meta(gt=0, lt=1)]
Positive = Annotated[float, msgspec.Meta(gt=0)]
NotNegative = Annotated[float, msgspec.Meta(ge=0)]
Count = Annotated[int, msgspec.Meta(gt=0)]
NonEmpty = Annotated[str, msgspec.Meta(min_length=1)]


class Record(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Base of everything read from a rules file: no unknown field is let through, nothing changes later."""


Kind = TypeVar("Kind", bound=msgspec.Struct)


def decode(text: str, where: str, kind: type[Kind]) -> Kind:
    """Read TOML text as `kind`; raises `CatalogueError` naming the place where it does not fit."""
    try:
        return msgspec.toml.decode(text, type=kind)
    except msgspec.MsgspecError as error:
        schema = kind.__name__.lstrip("_")
        raise CatalogueError(
            "bad-rules", where=where, expected=f"the schema of {schema}", found=str(error)
        ) from error


def load_data(package: str | None, name: str, kind: type[Kind]) -> Kind:
    """A package's own file as `kind`, e.g. ``load_data(__package__, "rules.toml", Rules)``; raises as `decode`."""
    text = resources.files(package or "faultml").joinpath(name).read_text(encoding="utf-8")
    return decode(text, name, kind)


def digest(*content: msgspec.Struct) -> str:
    """SHA-256 over the content of rules, for ``run.json``."""
    return hashlib.sha256(msgspec.json.encode(content)).hexdigest()
