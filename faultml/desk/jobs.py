"""Long work: one piece at a time, each in a process of its own that outlives the page, not the program.

A job's state stands in a file, so that the next start of the program can say what was going on when it was killed. Each
piece of work replaces what it makes as a whole, so a job that was stopped has changed nothing.
"""

from __future__ import annotations

import asyncio
import logging
import os
import secrets
import sys
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, Literal

import msgspec

from faultml.desk.folder import DeskFolder
from faultml.errors import InputError
from faultml.results.folders import replaced_file
from faultml.service.settings import TOKEN_ENVIRONMENT

try:
    import fcntl
except ImportError:  # pragma: no cover - not on POSIX: two desks on one folder are then not noticed
    fcntl = None  # type: ignore[assignment]

log = logging.getLogger(__name__)

State = Literal["waiting", "running", "done", "failed", "stopped", "interrupted"]

KEPT_JOBS: Final = 30
_SAVE_S: Final = 0.5
_MAX_LINE_BYTES: Final = 1 << 20
_LOCK: Final = "lock"


class ImportWork(msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag="import"):
    """Read dropped files by a layout into a folder of the season; paths are relative to the desk's folder."""

    files: str
    layout: str
    out: str


class ClassifyWork(msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag="classify"):
    """Classify the season, with a coach's adaptation where one is in use."""

    adaptation: str = ""


class RetrainWork(msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag="retrain"):
    """Learn from a coach's verdicts."""

    coach: str
    out: str


Work = ImportWork | ClassifyWork | RetrainWork


class Progress(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A line from the process that works: how far it is; on the last line what came of it, in words."""

    done: int = 0
    of: int = 0
    finished: bool = False
    failed: str = ""
    lines: tuple[str, ...] = ()


class Job(msgspec.Struct, forbid_unknown_fields=True):
    """A piece of long work."""

    id: str
    title: str
    work: Work
    begun: str
    state: State = "waiting"
    progress: Progress = Progress()

    @property
    def ended(self) -> bool:
        """Whether nothing more will come of it."""
        return self.state not in ("waiting", "running")


class Jobs:
    """The long work of one desk."""

    def __init__(self, folder: DeskFolder) -> None:
        self._folder = folder
        self._jobs: dict[str, Job] = {}
        self._queue: asyncio.Queue[Job] = asyncio.Queue()
        self._process: asyncio.subprocess.Process | None = None
        self._running: Job | None = None
        self._after: dict[str, Callable[[], None]] = {}

    @property
    def all(self) -> list[Job]:
        """Every job that is remembered, the latest first."""
        return sorted(self._jobs.values(), key=lambda job: (job.begun, job.id), reverse=True)

    @property
    def active(self) -> Job | None:
        """The one that runs, or waits next."""
        waiting = [job for job in reversed(self.all) if not job.ended]
        return waiting[0] if waiting else None

    def start(self, title: str, work: Work, after: Callable[[], None] | None = None) -> Job:
        """Put a piece of work into the queue; `after` is called once it is done without a failure."""
        began = datetime.now(UTC).isoformat(timespec="milliseconds")
        job = Job(secrets.token_hex(8), title, work, began)
        self._jobs[job.id] = job
        if after is not None:
            self._after[job.id] = after
        self._save(job)
        self._queue.put_nowait(job)
        return job

    def stop(self, job: Job) -> None:
        """End a job; what was there before it stays as it was."""
        if job.ended:
            return
        job.state = "stopped"
        self._save(job)
        if self._running is job and self._process is not None and self._process.returncode is None:
            self._process.kill()

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        """Work through the queue; at the end what runs is ended.

        Raises
        ------
        InputError
            ``desk-open`` where another desk works on the same folder.
        """
        lock = _lock(self._folder.jobs / _LOCK)
        self._recall()
        task = asyncio.create_task(self._work())
        try:
            yield
        finally:
            task.cancel()
            with suppress(asyncio.CancelledError):
                await task
            os.close(lock)

    def _recall(self) -> None:
        for path in sorted(self._folder.jobs.glob("*.json")):
            try:
                job = msgspec.json.decode(path.read_bytes(), type=Job)
            except (OSError, msgspec.MsgspecError):
                path.unlink(missing_ok=True)
                continue
            self._jobs[job.id] = job
            if not job.ended:
                job.state = "interrupted"
                self._save(job)
        for job in self.all[KEPT_JOBS:]:
            del self._jobs[job.id]
            self._file(job).unlink(missing_ok=True)

    async def _work(self) -> None:
        while True:
            job = await self._queue.get()
            if not job.ended:
                await self._run(job)

    async def _run(self, job: Job) -> None:
        self._running, job.state = job, "running"
        self._save(job)
        try:
            await self._converse(job)
        except asyncio.CancelledError:
            job.state = "interrupted"
            raise
        except Exception as error:
            log.error("%s in a job", type(error).__name__)
            job.state = "failed"
        finally:
            if self._process is not None and self._process.returncode is None:
                self._process.kill()
                await self._process.wait()
            self._process = self._running = None
            self._save(job)
        after = self._after.pop(job.id, None)
        if after is not None and self._jobs[job.id].state == "done":
            after()

    async def _converse(self, job: Job) -> None:
        environment = {name: value for name, value in os.environ.items() if name != TOKEN_ENVIRONMENT}
        # -P: nothing is imported from the folder, which holds what was dropped.
        self._process = process = await asyncio.create_subprocess_exec(
            sys.executable, "-P", "-m", "faultml.desk.worker",
            cwd=self._folder.root,
            env=environment,
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            limit=_MAX_LINE_BYTES,
        )  # fmt: skip
        assert process.stdin is not None and process.stdout is not None
        # A union has to be encoded as what it is, with its tag.
        process.stdin.write(msgspec.json.encode(job.work) + b"\n")
        saved = 0.0
        while line := await process.stdout.readline():
            job.progress = msgspec.json.decode(line, type=Progress)
            if time.monotonic() - saved > _SAVE_S:
                self._save(job)
                saved = time.monotonic()
        await process.wait()
        if job.state == "running":
            whole = job.progress.finished and not job.progress.failed
            job.state = "done" if whole else "failed"

    def _save(self, job: Job) -> None:
        with replaced_file(self._file(job)) as part:
            part.write_bytes(msgspec.json.encode(job))

    def _file(self, job: Job) -> Path:
        return self._folder.jobs / f"{job.id}.json"


def _lock(path: Path) -> int:
    handle = os.open(path, os.O_CREAT | os.O_RDWR, 0o600)
    if fcntl is not None:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            os.close(handle)
            raise InputError(
                "desk-open",
                where=str(path.parent.parent),
                expected="one desk at a folder",
                found="another one",
            ) from error
    return handle
