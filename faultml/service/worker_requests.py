"""What a server and the process that classifies a season say to each other, as lines of JSON."""

from __future__ import annotations

from typing import Final

import msgspec

from faultml.classifier.bundle import Registered

_RESULTS: Final = "results"


def results_folder(fence: int | str) -> str:
    """Where results go that are made under a fence of the ledger."""
    return f"{_RESULTS}-{fence}"


class WorkerRequest(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What to classify with; the package's own where None. `registered` is what the model must be; `out` the folder."""

    model: str | None = None
    catalogue: str | None = None
    store: str | None = None
    registered: Registered | None = None
    out: str = ""


class JobProgress(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How far it is; `finished` on the last line, where no error of our own (its kind, and where) has ended it."""

    swings: int = 0
    seen: int = 0
    assessed: int = 0
    problems: tuple[tuple[str, str, int], ...] = ()
    roster_unreadable: bool = False
    refused: str = ""
    finished: bool = False
    error: str = ""
    places: tuple[str, ...] = ()
