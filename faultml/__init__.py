"""Lead-wrist swing faults from a season of recordings, with drills ranked by expected benefit."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from faultml.classifier.bundle import load_bundle
    from faultml.faults.catalogue import load_catalogue
    from faultml.recordings.read import open_season
    from faultml.results import read_results
    from faultml.season import classify_season

__version__ = "0.1.0"

_HOMES: Final = {
    "classify_season": "faultml.season",
    "load_bundle": "faultml.classifier.bundle",
    "load_catalogue": "faultml.faults.catalogue",
    "open_season": "faultml.recordings.read",
    "read_results": "faultml.results",
}
"""Where each public name lives; imported when it is first used, so that ``import faultml`` costs nothing."""

__all__ = ["classify_season", "load_bundle", "load_catalogue", "open_season", "read_results"]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)
