"""Uploaded seasons as jobs: entered in the ledger, classified one at a time, each in a process that can be ended."""

from __future__ import annotations

import asyncio
import logging
import os
import shutil
import sqlite3
import sys
import time
from contextlib import suppress
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any, Final, Literal

import msgspec

from faultml.recordings.files import ROSTER_FILE
from faultml.results import REPORT_FILE
from faultml.service.ledger import ENDED, Job, Ledger, State
from faultml.service.logs import Event, failure, write
from faultml.service.problems import Refusal
from faultml.service.settings import TOKEN_ENVIRONMENT, Settings
from faultml.service.spool import SEASONS_FOLDER, new_id
from faultml.service.uploads import SEASON_FOLDER
from faultml.service.worker_requests import JobProgress, WorkerRequest, results_folder

_MAX_LINE_BYTES: Final = 1 << 20
_LOOK_S: Final = 1.0
"""How often to look for jobs that another server has taken in, or has left."""
_SWEEP_S: Final = 60.0
"""How often what is old or left over is removed; more often where seasons are kept for less."""
_ARRIVING_MARGIN_S: Final = 60.0
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


class Jobs:
    """All uploaded seasons of a spool, which other servers may share.

    `new`, `submit`, `discard`, `get`, `all` and `latest_done` ask the ledger and may wait for a disk.
    """

    def __init__(self, settings: Settings, spool: Path) -> None:
        self._limits = settings.limits
        paths = (settings.model, settings.catalogue, settings.store)
        model, catalogue, store = (str(path.resolve()) if path else None for path in paths)
        self._request = WorkerRequest(model, catalogue, store, settings.registered)
        self._seasons = spool / SEASONS_FOLDER
        self._ledger = Ledger(spool)
        self._submitted = asyncio.Event()
        self._running: tuple[str, asyncio.subprocess.Process] | None = None
        self._progress = JobProgress()

    def new(self, token: str, max_of_token: int) -> str:
        """A place for an upload, under the id that is returned.

        Raises
        ------
        Refusal
            ``too-many-seasons`` (429).
        """
        limits = self._limits
        self._remove_old()
        job = new_id()
        arriving_s = limits.max_upload_s + _ARRIVING_MARGIN_S
        over = self._ledger.add(job, token, self._request, arriving_s, limits.max_jobs, max_of_token)
        if over:
            count, whose = (limits.max_jobs, "") if over == "all" else (max_of_token, " of this token")
            detail = f"{count} seasons{whose} are kept. Delete one, or wait until one is old enough."
            wait_s = self._ledger.first_removal_s(limits.job_kept_s, token if over == "token" else None)
            raise Refusal(429, "too-many-seasons", detail, retry_s=wait_s)
        self.folder(job).mkdir(mode=0o700)
        return job

    def submit(self, job: str) -> Job:
        """Have a job classified once its turn comes; its upload is complete.

        Raises
        ------
        Refusal
            ``unknown-season`` (404) where it was removed meanwhile.
        """
        self._ledger.submit(job)
        return self.get(job)

    def wake(self) -> None:
        """Look for work at once."""
        self._submitted.set()

    def get(self, job: str) -> Job:
        """A job by its id; raises a `Refusal` (404) where there is none."""
        found = self._ledger.get(job)
        if found is None or self._is_old(found):
            raise Refusal(404, "unknown-season", "No such season, or it is no longer kept.")
        return found

    def all(self) -> list[Job]:
        """Every job, in the order of uploads."""
        return [job for job in self._ledger.all() if not self._is_old(job)]

    def latest_done(self) -> Job | None:
        """The job that was done last."""
        done = [job for job in self.all() if job.done]
        return max(done, key=lambda job: job.ended_s or 0.0, default=None)

    def folder(self, job: str) -> Path:
        """Where everything of a job lies."""
        return self._seasons / job

    def results(self, job: Job) -> Path:
        """A job's results folder, there once it is done."""
        return self.folder(job.id) / results_folder(job.fence)

    def stop(self, job: str) -> None:
        """End the process that classifies a job, where it is ours."""
        if self._running is not None and self._running[0] == job:
            _kill(self._running[1])

    def discard(self, job: str) -> None:
        """Remove a job and everything of it; one that another server runs is ended there."""
        self._ledger.remove(job)
        shutil.rmtree(self.folder(job), ignore_errors=True)

    def as_dict(self, job: Job) -> dict[str, Any]:
        """As `faultml.service.answers.JobOut`."""
        own = self._running is not None and self._running[0] == job.id
        progress = self._progress if own else job.progress
        results = self.results(job)
        return {
            "id": job.id,
            "state": job.state,
            "progress": 1.0 if job.done else progress.seen / max(progress.swings, 1),
            "swings": progress.swings,
            "assessed": progress.assessed,
            "problems": [
                {"file": file, "code": code, "count": count} for file, code, count in progress.problems
            ],
            "reason": job.reason,
            "results": [name for name in RESULT_FILES if (results / name).exists()] if job.done else [],
            "uploaded_at": _moment(job.uploaded_s),
            "ended_at": _moment(job.ended_s),
        }

    async def run(self) -> None:
        """Classify one job after the other, until cancelled; what runs then is given back."""
        limits = self._limits
        claim = partial(self._ledger.claim, limits.job_lease_s, limits.max_jobs_running, limits.max_attempts)
        while True:
            self._submitted.clear()
            job = None
            try:
                job = await asyncio.to_thread(claim)
            except Exception as error:  # a disk that is full today has room tomorrow
                write(failure(error), logging.ERROR)
            if job is not None:
                await self._run(job)
            else:
                with suppress(TimeoutError):
                    async with asyncio.timeout(_LOOK_S):
                        await self._submitted.wait()

    async def sweep(self) -> None:
        """Remove what is old or left over, from time to time, also while nobody asks."""
        every_s = min(_SWEEP_S, max(self._limits.job_kept_s, 1.0))
        while True:
            try:
                await asyncio.to_thread(self._tidy)
            except Exception as error:
                write(failure(error), logging.ERROR)
            await asyncio.sleep(every_s)

    async def _run(self, job: Job) -> None:
        self._progress = JobProgress()
        heart = asyncio.create_task(self._hold(job))
        try:
            async with asyncio.timeout(self._limits.max_job_s):
                state, reason = await self._classify(job)
        except TimeoutError:
            state, reason = "failed", f"It took longer than {self._limits.max_job_s:g} s."
        except asyncio.CancelledError:
            self._ledger.release(job)
            raise
        except Exception as error:
            # Whatever it is, the next season gets its turn.
            write(failure(error), logging.ERROR)
            state, reason = "failed", "It could not be classified on this machine."
        finally:
            heart.cancel()
            if self._running is not None:
                _kill(self._running[1])
                await self._running[1].wait()
            self._running = None
        try:
            await asyncio.to_thread(self._conclude, job, state, reason, self._progress)
        except Exception as error:
            # Its lease ends, and it is begun anew.
            write(failure(error), logging.ERROR)
        write(Event("season", state=state, swings=self._progress.swings, attempt=job.attempts))

    async def _hold(self, job: Job) -> None:
        """Renew a job's lease; end its process once somebody else may have it."""
        lease_s = self._limits.job_lease_s
        until = time.monotonic() + lease_s
        while time.monotonic() < until:
            await asyncio.sleep(lease_s / 4)
            asked = time.monotonic()
            try:
                if not await asyncio.to_thread(self._ledger.renew, job, lease_s, self._progress):
                    break
                until = asked + lease_s
            except sqlite3.Error as error:
                write(failure(error), logging.ERROR)
        self.stop(job.id)

    async def _classify(self, job: Job) -> tuple[State, str]:
        environment = {name: value for name, value in os.environ.items() if name != TOKEN_ENVIRONMENT}
        # -P: nothing is imported from the folder that holds an upload. What Python itself says of a crash may repeat
        # what stands in a recording: it goes nowhere.
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-P", "-m", "faultml.service.worker",
            cwd=self.folder(job.id),
            env=environment,
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL,
            limit=_MAX_LINE_BYTES,
        )  # fmt: skip
        self._running = (job.id, process)
        assert process.stdin is not None and process.stdout is not None
        request = msgspec.structs.replace(job.request, out=results_folder(job.fence))
        # One that has ended before it was asked (uvloop then raises RuntimeError) is concluded below.
        with suppress(RuntimeError, ConnectionError):
            process.stdin.write(msgspec.json.encode(request) + b"\n")
        while line := await process.stdout.readline():
            self._progress = msgspec.json.decode(line, type=JobProgress)
        await process.wait()
        if self._progress.error:
            write(Event("error", error=self._progress.error, places=self._progress.places), logging.ERROR)
        return _outcome(self._progress)

    def _conclude(self, job: Job, state: State, reason: str, progress: JobProgress) -> None:
        """Enter how a job ended, unless somebody else has it, and remove what has served its turn."""
        if self._ledger.end(job, state, reason, progress):
            self._clear(job, state)
        elif self._ledger.get(job.id) is None:
            shutil.rmtree(self.folder(job.id), ignore_errors=True)
        else:
            shutil.rmtree(self.results(job), ignore_errors=True)

    def _clear(self, job: Job, state: State) -> None:
        """Of a job that is done keep results and roster, which care reads again; of others nothing."""
        folder = self.folder(job.id)
        if state != "done":
            shutil.rmtree(folder, ignore_errors=True)
            return
        with suppress(FileNotFoundError):
            (folder / SEASON_FOLDER / ROSTER_FILE).rename(folder / ROSTER_FILE)
        for path in folder.iterdir():
            if path.is_dir() and path != self.results(job):
                shutil.rmtree(path, ignore_errors=True)

    def _tidy(self) -> None:
        self._remove_old()
        for job in self._ledger.all():
            if job.state in ENDED:
                self._clear(job, job.state)
        # In this order: an id is entered before its folder is made.
        folders = list(self._seasons.iterdir())
        known = self._ledger.ids()
        for folder in folders:
            if folder.name not in known:
                shutil.rmtree(folder, ignore_errors=True)

    def _remove_old(self) -> None:
        for job in self._ledger.remove_old(self._limits.job_kept_s):
            shutil.rmtree(self.folder(job), ignore_errors=True)

    def _is_old(self, job: Job) -> bool:
        return job.ended_s is not None and time.time() - job.ended_s > self._limits.job_kept_s


def _kill(process: asyncio.subprocess.Process) -> None:
    if process.returncode is None:
        process.kill()


def _moment(at_s: float | None) -> str:
    return "" if at_s is None else datetime.fromtimestamp(at_s, UTC).isoformat(timespec="seconds")


def _outcome(progress: JobProgress) -> tuple[State, str]:
    if not progress.finished:
        return "failed", "The process that classified it has ended."
    if progress.refused:
        return "failed", progress.refused
    if progress.roster_unreadable:
        return "done", "The roster could not be read: mend it first. Until then nobody gets a drill."
    if not progress.assessed:
        return "done", "Nothing could be assessed: results/problems.csv says why."
    return "done", ""
