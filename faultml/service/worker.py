"""Classifies one uploaded season in a process of its own: ``python -m faultml.service.worker`` in the job's folder.

What to do comes as one line of JSON on standard input, which then stays open: when it closes, the server has ended,
and so does this. How far it is goes to standard output, a line of JSON each time.
"""

from __future__ import annotations

import os
import sys
import threading
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

from faultml.errors import FaultmlError
from faultml.results.columns import REPORT_FILE
from faultml.service.logs import places
from faultml.service.uploads import SEASON_FOLDER
from faultml.service.worker_requests import JobProgress, WorkerRequest

if TYPE_CHECKING:
    from faultml.season import SeasonRun


def main() -> None:
    """Read the request, classify, report."""
    request = msgspec.json.decode(sys.stdin.buffer.readline(), type=WorkerRequest)
    threading.Thread(target=_end_with_the_server, daemon=True).start()
    try:
        progress = _classify(request)
    except FaultmlError as error:
        progress = JobProgress(refused=error.code, finished=True)
    except Exception as error:
        # Places only: the message of an error may repeat what stands in a recording.
        progress = JobProgress(error=type(error).__name__, places=places(error.__traceback__))
    _report(progress)


def _classify(request: WorkerRequest) -> JobProgress:
    from faultml.season import ModelSource, Progress, classify_season
    from faultml.season.corrections import open_corrected, read_corrections

    # Relative: the results then say nothing of where on this machine they were made.
    corrections = read_corrections(request.store)
    season = open_corrected([Path(SEASON_FOLDER)], request.store, corrections)

    def advance(done: Progress) -> None:
        _report(JobProgress(done.n_swings, done.n_done, done.n_assessed))

    run = classify_season(
        season,
        request.out,
        source=ModelSource(model=request.model, registered=request.registered, catalogue=request.catalogue),
        on="here",
        assigned=_given(request.store),
        store=request.store,
        corrections=corrections,
        partition_swings=max(season.n_swings, 1),  # one part a table, so that each is given out as one file
        progress=advance,
    )
    if find_spec("jinja2"):
        _write_page(run, request)
    problems = tuple(
        (Path(file).name, code, count) for (code, file), count in run.problem_counts.most_common()
    )
    return JobProgress(
        run.n_swings, run.n_swings, run.n_assessed, problems, run.roster_unreadable, finished=True
    )


def _write_page(run: SeasonRun, request: WorkerRequest) -> None:
    from faultml.coaching.rules import load_coaching
    from faultml.faults.catalogue import load_catalogue
    from faultml.report.page import write_one_page
    from faultml.report.source import read_source

    catalogue = load_catalogue(Path(request.catalogue) if request.catalogue else None)
    coaching = load_coaching(catalogue)
    # One page: each file is given out by itself, and links between files would lead nowhere.
    write_one_page(read_source(run.results, run.known, coaching, run.day), run.out / REPORT_FILE, coaching)


def _given(store: str | None) -> Any:
    """Drills that were given, as the store has them."""
    if store is None:
        return None
    from faultml.outcomes.assignments import assignments
    from faultml.store import open_store

    with open_store(store, create=False) as opened:
        return assignments(opened)


def _report(progress: JobProgress) -> None:
    sys.stdout.buffer.write(msgspec.json.encode(progress) + b"\n")
    sys.stdout.buffer.flush()


def _end_with_the_server() -> None:
    # Not by way of sys.stdin, whose lock this thread would still hold when the interpreter ends.
    while os.read(0, 1024):
        pass
    os._exit(1)


if __name__ == "__main__":
    main()
