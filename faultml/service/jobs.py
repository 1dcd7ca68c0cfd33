"""Uploaded seasons as jobs: kept for a while, classified one at a time, each in a process that can be ended."""

from __future__ import annotations

import asyncio
import logging
import os
import shutil
import sys
import time
import traceback
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Literal

import msgspec

from faultml.recordings.files import ROSTER_FILE
from faultml.results import REPORT_FILE
from faultml.service.orders import RESULTS_FOLDER, Order, Told
from faultml.service.problems import Refusal
from faultml.service.settings import TOKEN_ENVIRONMENT, Settings
from faultml.service.spool import new_folder
from faultml.service.uploads import SEASON_FOLDER

log = logging.getLogger(__name__)

_MAX_LINE_BYTES: Final = 1 << 20
_TABLES: Final = ("swings", "faults", "players", "drills", "retests", "curves")

ResultFile = Literal[
    "swings.parquet", "faults.parquet", "players.parquet", "drills.parquet", "retests.parquet", "curves.parquet",
    "problems.csv", "run.json", "explanations.json", "report.html",
]  # fmt: skip
RESULT_FILES: Final[dict[str, str]] = {
    **{f"{name}.parquet": "application/vnd.apache.parquet" for name in _TABLES},
    "problems.csv": "text/csv; charset=utf-8",
    "run.json": "application/json",
    "explanations.json": "application/json",
    REPORT_FILE: "text/html; charset=utf-8",
}
"""The results that are given out, with their media types."""


@dataclass
class Job:
    """An uploaded season."""

    folder: Path
    state: Literal["arriving", "waiting", "running", "done", "failed"] = "arriving"
    told: Told = field(default_factory=Told)
    reason: str = ""
    ended_at: float = 0.0
    process: asyncio.subprocess.Process | None = None

    @property
    def id(self) -> str:
        """Its name, which cannot be guessed."""
        return self.folder.name

    @property
    def done(self) -> bool:
        """Whether its results are there."""
        return self.state == "done"

    @property
    def results(self) -> Path:
        """Its results folder, there once it is done."""
        return self.folder / RESULTS_FOLDER

    def as_dict(self) -> dict[str, Any]:
        """As `faultml.service.answers.JobOut`."""
        told, done = self.told, self.done
        files = [name for name in RESULT_FILES if (self.results / name).exists()] if done else []
        return {
            "id": self.id,
            "state": self.state,
            "progress": 1.0 if done else told.seen / max(told.swings, 1),
            "swings": told.swings,
            "assessed": told.assessed,
            "problems": [{"file": file, "code": code, "count": count} for file, code, count in told.problems],
            "reason": self.reason,
            "results": files,
        }


class Jobs:
    """All uploaded seasons."""

    def __init__(self, settings: Settings, spool: Path) -> None:
        limits = settings.limits
        self._max_jobs, self._kept_s, self._max_s = limits.max_jobs, limits.job_kept_s, limits.max_job_s
        paths = (settings.model, settings.catalogue, settings.store)
        model, catalogue, store = (str(path.resolve()) if path else None for path in paths)
        self._order = Order(model, catalogue, store, settings.registered)
        self._spool = spool
        self._jobs: dict[str, Job] = {}
        self._queue: asyncio.Queue[Job] = asyncio.Queue()

    def new(self) -> Job:
        """A place for an upload.

        Raises
        ------
        Refusal
            ``too-many-seasons`` (429).
        """
        self.drop_old()
        if len(self._jobs) >= self._max_jobs:
            said = f"{self._max_jobs} seasons are kept. Delete one, or wait until one is old enough."
            raise Refusal(429, "too-many-seasons", said)
        job = Job(new_folder(self._spool))
        self._jobs[job.id] = job
        return job

    def submit(self, job: Job) -> None:
        """Have a job classified once its turn comes; its upload is complete."""
        job.state = "waiting"
        self._queue.put_nowait(job)

    def get(self, name: str) -> Job:
        """A job by its name; raises a `Refusal` (404) where there is none."""
        self.drop_old()
        job = self._jobs.get(name)
        if job is None or job.state == "arriving":
            raise Refusal(404, "unknown-season", "No such season, or it is no longer kept.")
        return job

    def latest_done(self) -> Job | None:
        """The job that was done last."""
        done = [job for job in self._jobs.values() if job.done]
        return max(done, key=lambda job: job.ended_at, default=None)

    def remove(self, job: Job) -> None:
        """End a job and remove everything of it."""
        self._jobs.pop(job.id, None)
        if job.process is not None and job.process.returncode is None:
            job.process.kill()
        shutil.rmtree(job.folder, ignore_errors=True)

    def drop_old(self) -> None:
        """Remove jobs that ended long ago."""
        now = time.monotonic()
        for job in list(self._jobs.values()):
            if job.ended_at and now - job.ended_at > self._kept_s:
                self.remove(job)

    async def run(self) -> None:
        """Classify one job after the other, until cancelled; then what runs is ended."""
        while True:
            job = await self._queue.get()
            if job.id in self._jobs:
                await self._run(job)

    async def sweep(self, every_s: float = 60.0) -> None:
        """Remove old jobs from time to time, also while nobody asks."""
        while True:
            await asyncio.sleep(every_s)
            self.drop_old()

    async def _run(self, job: Job) -> None:
        job.state = "running"
        try:
            async with asyncio.timeout(self._max_s):
                await self._classify(job)
        except TimeoutError:
            job.state, job.reason = "failed", f"It took longer than {self._max_s:g} s."
        except Exception as error:
            # Whatever it is, the next season gets its turn. Places only: a message may repeat what was sent.
            places = "".join(traceback.format_tb(error.__traceback__))
            log.error("%s while a season was classified\n%s", type(error).__name__, places)
            job.state, job.reason = "failed", "It could not be classified on this machine."
        finally:
            if job.process is not None and job.process.returncode is None:
                job.process.kill()
                await job.process.wait()
            job.process = None
            job.ended_at = time.monotonic()
            # The recordings have served their turn; care reads the roster again. Of what failed, or was removed while
            # it ran, nothing is kept.
            kept = job.done and job.id in self._jobs
            if kept:
                _keep_roster(job)
            else:
                shutil.rmtree(job.folder, ignore_errors=True)
        log.info("a season of %d swings: %s", job.told.swings, job.state)

    async def _classify(self, job: Job) -> None:
        environment = {name: value for name, value in os.environ.items() if name != TOKEN_ENVIRONMENT}
        # -P: nothing is imported from the folder that holds an upload.
        job.process = process = await asyncio.create_subprocess_exec(
            sys.executable, "-P", "-m", "faultml.service.worker",
            cwd=job.folder,
            env=environment,
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            limit=_MAX_LINE_BYTES,
        )  # fmt: skip
        assert process.stdin is not None and process.stdout is not None
        # One that has ended before it was asked (uvloop then raises RuntimeError) is concluded below.
        with suppress(RuntimeError, ConnectionError):
            process.stdin.write(msgspec.json.encode(self._order) + b"\n")
        while line := await process.stdout.readline():
            job.told = msgspec.json.decode(line, type=Told)
        await process.wait()
        _conclude(job)


def _keep_roster(job: Job) -> None:
    """Put the roster beside the results, and remove the recordings."""
    season = job.folder / SEASON_FOLDER
    with suppress(FileNotFoundError):
        (season / ROSTER_FILE).rename(job.folder / ROSTER_FILE)
    shutil.rmtree(season, ignore_errors=True)


def _conclude(job: Job) -> None:
    told = job.told
    if not told.finished:
        job.state, job.reason = "failed", "The process that classified it has ended."
    elif told.refused:
        job.state, job.reason = "failed", told.refused
    else:
        job.state = "done"
        if told.roster_unreadable:
            job.reason = "The roster could not be read: mend it first. Until then nobody gets a drill."
        elif not told.assessed:
            job.reason = "Nothing could be assessed: results/problems.csv says why."
