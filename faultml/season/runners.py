"""Who assesses the partitions of a run: this process, or processes of this machine.

A runner takes fragments in any order and gives back what became of each. One that fails `MAX_ATTEMPTS` times, or ends
its process as often, is lost: that is a problem of the season, not the end of the run.
"""

from __future__ import annotations

import logging
import os
import queue
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryFile
from typing import IO, Final, Protocol

import msgspec

from faultml.errors import BundleError, CatalogueError, InputError, WorkerError
from faultml.recordings.fragments import Fragment
from faultml.season.answering import Answering
from faultml.season.batch import BatchTables
from faultml.season.messages import Answer
from faultml.season.parts import Partition

log = logging.getLogger(__name__)

PROCESSES_PAY_FROM: Final = 20_000
"""Swings from which on a season is given to several processes: below, starting them costs more than they give."""

MAX_ATTEMPTS: Final = 3
_MAX_ERROR: Final = 400
_ONE_THREAD: Final = dict.fromkeys(
    ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"), "1"
)


class Lost(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A partition that could not be assessed, and why."""

    reason: str


class Outcome(msgspec.Struct, frozen=True):
    """What became of one fragment, by its number."""

    number: int
    result: Partition | Lost


class Runner(Protocol):
    """Assesses fragments into a folder of parts."""

    def run(self, fragments: Sequence[Fragment], out: Path) -> Iterator[Outcome]:
        """What becomes of each fragment, in any order, every one once."""
        ...


@dataclass(frozen=True)
class InProcess:
    """Assesses one fragment after the other in this process."""

    answering: Answering
    on_batch: Callable[[BatchTables], None] = lambda tables: None

    def run(self, fragments: Sequence[Fragment], out: Path) -> Iterator[Outcome]:
        """See `Runner`. What `on_batch` raises ends the run."""
        for number, fragment in enumerate(fragments):
            yield Outcome(number, self._assess(fragment, out))

    def _assess(self, fragment: Fragment, out: Path) -> Partition | Lost:
        reason = ""
        for _ in range(MAX_ATTEMPTS):
            called = _Remembering(self.on_batch)
            try:
                return self.answering.assess(fragment, called)
            except OSError as error:
                raise InputError(
                    "not-writable", where=str(out), found=error.strerror or str(error)
                ) from error
            except (BundleError, CatalogueError):
                raise
            except Exception as error:
                if called.raised:
                    raise
                log.exception("a partition failed: %s", fragment.place)
                reason = f"{type(error).__name__} (this process)"
        return Lost(reason)


@dataclass
class _Remembering:
    """Calls a function, and remembers whether it was the one that raised."""

    call: Callable[[BatchTables], None]
    raised: bool = False

    def __call__(self, tables: BatchTables) -> None:
        self.raised = True
        self.call(tables)
        self.raised = False


@dataclass
class LocalProcesses:
    """Assesses fragments in so many processes of this machine: ``python -m faultml.season.worker``.

    Requests and answers are lines of JSON; nothing is pickled, and a script that calls the library needs no guard. A
    process that ends in the middle of a partition is replaced, and the partition done again.
    """

    n_processes: int
    _tasks: queue.SimpleQueue[tuple[int, Fragment, int] | None] = field(default_factory=queue.SimpleQueue)
    _done: queue.SimpleQueue[Outcome | BaseException] = field(default_factory=queue.SimpleQueue)

    def run(self, fragments: Sequence[Fragment], out: Path) -> Iterator[Outcome]:
        """See `Runner`."""
        for number, fragment in enumerate(fragments):
            self._tasks.put((number, fragment, 1))
        workers = [_Process(out, number) for number in range(1, min(self.n_processes, len(fragments)) + 1)]
        threads = [threading.Thread(target=self._serve, args=[worker], daemon=True) for worker in workers]
        for thread in threads:
            thread.start()
        try:
            for _ in fragments:
                outcome = self._done.get()
                if isinstance(outcome, BaseException):
                    raise outcome
                yield outcome
        finally:
            for worker in workers:
                self._tasks.put(None)
                worker.end()

    def _serve(self, worker: _Process) -> None:
        """Give a process one fragment after the other, in a thread of its own."""
        try:
            while (task := self._tasks.get()) is not None:
                number, fragment, attempt = task
                answer = worker.ask(fragment)
                if answer.part is not None:
                    self._done.put(Outcome(number, answer.part))
                elif answer.stops:
                    raise WorkerError(answer.code, where=worker.name, found=answer.error)
                elif attempt < MAX_ATTEMPTS:
                    log.warning("%s: %s; %s is done again", worker.name, answer.error, fragment.place)
                    self._tasks.put((number, fragment, attempt + 1))
                else:
                    self._done.put(Outcome(number, Lost(f"{answer.error} ({worker.name})")))
        except BaseException as error:
            self._done.put(error)


class _Process:
    """One process that assesses, started when it is first asked."""

    def __init__(self, out: Path, number: int) -> None:
        self.name = f"process {number}"
        self._out = out
        self._process: subprocess.Popen[bytes] | None = None
        self._errors: IO[bytes] | None = None
        self._ended = False

    def ask(self, fragment: Fragment) -> Answer:
        """Have a fragment assessed; a process that ends meanwhile answers with its last words."""
        process = self._process or self._start()
        assert process.stdin is not None and process.stdout is not None
        line = b""
        try:
            process.stdin.write(msgspec.json.encode(fragment) + b"\n")
            process.stdin.flush()
            line = process.stdout.readline()
        except OSError:
            pass
        if line.endswith(b"\n"):
            return msgspec.json.decode(line, type=Answer)
        self._process = None
        process.kill()
        code = process.wait()
        return Answer(error=f"its process ended ({_how(code)}){self._last_words()}")

    def end(self) -> None:
        """End the process, whatever it does."""
        self._ended = True
        if self._process is not None:
            self._process.kill()
            self._process.wait()

    def _start(self) -> subprocess.Popen[bytes]:
        if self._ended:
            raise WorkerError("worker-ended", where=self.name, found="ended")
        self._errors = TemporaryFile()  # noqa: SIM115 - as long as the process
        # -P: nothing is imported from the folder that holds a season.
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-m", "faultml.season.worker", str(self._out)],
            env=os.environ | _ONE_THREAD,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._errors,
        )
        return self._process

    def _last_words(self) -> str:
        if self._errors is None:
            return ""
        self._errors.seek(0)
        error_lines = self._errors.read().decode("utf-8", "replace").strip().splitlines()
        self._errors.close()
        return f": {error_lines[-1][-_MAX_ERROR:]}" if error_lines else ""


def _how(code: int) -> str:
    return f"signal {-code}" if code < 0 else f"exit code {code}"


def choose_runner(
    on: str,
    n_swings: int,
    answering: Answering,
    on_batch: Callable[[BatchTables], None],
    *,
    own_assessor: bool,
) -> Runner:
    """Who assesses the partitions of so many swings; `classify_season` says what `on` may be.

    Raises
    ------
    InputError
        ``bad-place`` where `on` is none that there is, ``model-in-memory`` where other processes cannot load the model.
    """
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    if on == "here" or (not on and (own_assessor or n_swings < PROCESSES_PAY_FROM or cores == 1)):
        return InProcess(answering, on_batch)
    if own_assessor:
        expected = "source, which other processes can load"
        raise InputError("model-in-memory", where=on, expected=expected, found="an assessor")
    if "://" in on:
        from faultml.season.cluster import Cluster, check_address

        check_address(on)
        return Cluster(on)
    place, _, number = on.partition(":")
    if not on or (place == "local" and number.isdecimal() and int(number) > 0):
        return LocalProcesses(int(number) if on else cores)
    raise InputError(
        "bad-place", where=on, expected="here, local:N, tls://host:port or tcp://127.0.0.1:port", found=on
    )
