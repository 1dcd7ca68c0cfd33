"""Classifies one uploaded season in a process of its own: ``python -m faultml.service.worker`` in the job's folder.

What to do comes as one line of JSON on standard input, which then stays open: when it closes, the server has ended,
and so does this. How far it is goes to standard output, a line of JSON each time.
"""

from __future__ import annotations

import os
import sys
import threading
import traceback
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import msgspec

from faultml.errors import FaultmlError
from faultml.service.orders import RESULTS_FOLDER, Order, Told
from faultml.service.uploads import SEASON_FOLDER


def main() -> None:
    """Read the order, classify, tell."""
    order = msgspec.json.decode(sys.stdin.buffer.readline(), type=Order)
    threading.Thread(target=_end_with_the_server, daemon=True).start()
    try:
        told = _classify(order)
    except FaultmlError as error:
        told = Told(refused=error.code, finished=True)
    except Exception as error:
        # Places only: the message of an error may repeat what stands in a recording.
        places = "".join(traceback.format_tb(error.__traceback__))
        sys.stderr.write(f"{type(error).__name__} while a season was classified\n{places}")
        sys.exit(1)
    _tell(told)


def _classify(order: Order) -> Told:
    from faultml.classifier.bundle import load_bundle
    from faultml.faults.catalogue import load_catalogue
    from faultml.recordings.read import open_season
    from faultml.season import BatchTables, classify_season

    catalogue = load_catalogue(Path(order.catalogue) if order.catalogue else None)
    # Relative: the results then say nothing of where on this machine they were made.
    season = open_season([Path(SEASON_FOLDER)])
    hooks: dict[str, Any] = {}
    if find_spec("jinja2"):
        from faultml.report.season_page import SeasonPage

        hooks["before_closing"] = SeasonPage(catalogue).write
    seen = assessed = 0

    def on_batch(tables: BatchTables) -> None:
        nonlocal seen, assessed
        seen += len(tables.swings)
        assessed += int(tables.swings["assessed"].sum())
        _tell(Told(season.n_swings, seen, assessed))

    run = classify_season(
        season,
        RESULTS_FOLDER,
        bundle=load_bundle(Path(order.model) if order.model else None, order.registered),
        catalogue=catalogue,
        assigned=_given(order.store),
        store=order.store,
        on_batch=on_batch,
        **hooks,
    )
    problems = tuple(
        (Path(file).name, code, count) for (code, file), count in run.problem_counts.most_common()
    )
    return Told(run.n_swings, run.n_swings, run.n_assessed, problems, run.roster_unreadable, finished=True)


def _given(store: str | None) -> Any:
    """Drills that were given, as the store has them."""
    if store is None:
        return None
    from faultml.outcomes.assignments import assignments
    from faultml.store import open_store

    with open_store(store, create=False) as opened:
        return assignments(opened)


def _tell(told: Told) -> None:
    sys.stdout.buffer.write(msgspec.json.encode(told) + b"\n")
    sys.stdout.buffer.flush()


def _end_with_the_server() -> None:
    # Not by way of sys.stdin, whose lock this thread would still hold when the interpreter ends.
    while os.read(0, 1024):
        pass
    os._exit(1)


if __name__ == "__main__":
    main()
