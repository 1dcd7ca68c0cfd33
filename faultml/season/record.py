"""What ``run.json`` keeps of a run: the versions, the promise and the counts, and where roster and store lie."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec

from faultml import __version__
from faultml.classifier.assess import Assessor
from faultml.coaching.rules import Coaching
from faultml.recordings.read import Season
from faultml.recordings.roster_match import MatchedRoster
from faultml.season.classified import SeasonRun
from faultml.store.place import store_if_there, store_path


def run_record(assessor: Assessor, coaching: Coaching, run: SeasonRun, started: float) -> dict[str, Any]:
    """Versions, model, catalogue, promise and counts of a run that started at `started` (`time.monotonic`)."""
    manifest = assessor.bundle.manifest
    return {
        "faultml": __version__,
        "finished": datetime.now(UTC).isoformat(timespec="seconds"),
        "seconds": round(time.monotonic() - started, 3),
        "model": {"name": manifest.name, "version": manifest.version, "sha256": manifest.sha256},
        **assessor.bundle.origin,
        **({"own_steps": assessor.own_steps} if assessor.own_steps else {}),
        "catalogue": {"owner": assessor.catalogue.owner, "sha256": assessor.catalogue.digest},
        "coaching": coaching.digests,
        "promise": assessor.promise_record(),
        "counts": {
            "swings": run.n_swings,
            "assessed": run.n_assessed,
            "lost": run.n_lost,
            "players": run.n_players,
            "problems": run.n_problems,
        },
        "left_out": {"players": run.left_out[0], "swings": run.left_out[1]},
    }


def merged_names(season: Season) -> dict[str, Any]:
    """Names that the season was read as one player's, for ``run.json``."""
    return {"same_names": [msgspec.to_builtins(each) for each in season.names]}


def roster_and_store(season: Season, roster: MatchedRoster, store: str | Path | None) -> dict[str, Any]:
    """Where the roster, the recordings and the store lie, from any folder; and which store it is."""
    there = store_if_there(store)
    known = ""
    if there is not None:
        from faultml.store import open_store
        from faultml.store.people import store_id

        with open_store(there, create=False) as opened:
            known = store_id(opened)
    return {
        "roster": {
            "file": str(Path(roster.file).absolute()) if roster.file else "",
            "season": [str(path.absolute()) for path in season.paths],
        },
        "store": {"file": str(store_path(store).absolute()), "id": known},
    }
