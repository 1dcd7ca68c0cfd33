"""Lead-wrist swing faults from a season of recordings, with drills ranked by expected benefit."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from faultml.assessing import assess_swings
    from faultml.check import check_season
    from faultml.classifier.assess import Assessor
    from faultml.classifier.bundle import load_bundle
    from faultml.cutting import cut_season
    from faultml.faults.catalogue import load_catalogue
    from faultml.importing.calibration import calibrate
    from faultml.importing.layout import load_layout
    from faultml.importing.season import import_season
    from faultml.outcomes.change import changes
    from faultml.quality.watched import read_watch
    from faultml.recordings.read import open_season
    from faultml.recordings.write import write_season
    from faultml.results import read_results
    from faultml.season import assess_partition, classify_season
    from faultml.store import open_store
    from faultml.streams.cut import cut_stream

__version__ = "0.2.0"

_HOMES: Final = {
    "Assessor": "faultml.classifier.assess",
    "assess_partition": "faultml.season",
    "assess_swings": "faultml.assessing",
    "calibrate": "faultml.importing.calibration",
    "changes": "faultml.outcomes.change",
    "check_season": "faultml.check",
    "classify_season": "faultml.season",
    "cut_season": "faultml.cutting",
    "cut_stream": "faultml.streams.cut",
    "import_season": "faultml.importing.season",
    "load_bundle": "faultml.classifier.bundle",
    "load_catalogue": "faultml.faults.catalogue",
    "load_layout": "faultml.importing.layout",
    "open_season": "faultml.recordings.read",
    "open_store": "faultml.store",
    "read_results": "faultml.results",
    "read_watch": "faultml.quality.watched",
    "write_season": "faultml.recordings.write",
}
"""Where each public name lives; imported when it is first used, so that ``import faultml`` costs nothing."""

__all__ = [
    "Assessor",
    "assess_partition",
    "assess_swings",
    "calibrate",
    "changes",
    "check_season",
    "classify_season",
    "cut_season",
    "cut_stream",
    "import_season",
    "load_bundle",
    "load_catalogue",
    "load_layout",
    "open_season",
    "open_store",
    "read_results",
    "read_watch",
    "write_season",
]


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)
