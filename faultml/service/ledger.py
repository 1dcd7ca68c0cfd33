"""The ledger of uploaded seasons: an SQLite file in the spool, shared by every server that works there.

A server holds a job by a lease that it renews; one that was killed renews nothing, and another server, or the same one
started anew, takes the job over. Each take-over raises the job's fence. Results are kept under the fence they were made
with, and every change names its fence, so that a server that slept through its lease can change nothing any more.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Final, Literal

import msgspec

from faultml.errors import InputError
from faultml.service.worker_requests import JobProgress, WorkerRequest

LEDGER_FILE: Final = "ledger.sqlite"
VERSION: Final = 1
"""Of the table; a file of another version is not touched."""

State = Literal["arriving", "waiting", "running", "done", "failed", "interrupted"]
ENDED: Final = ("done", "failed", "interrupted")

_BUSY_S: Final = 10.0
_TABLE: Final = """
CREATE TABLE IF NOT EXISTS jobs (
  id TEXT PRIMARY KEY,
  token TEXT NOT NULL,
  request BLOB NOT NULL,
  state TEXT NOT NULL,
  fence INTEGER NOT NULL DEFAULT 0,
  attempts INTEGER NOT NULL DEFAULT 0,
  lease_until_s REAL NOT NULL,
  progress BLOB NOT NULL,
  reason TEXT NOT NULL DEFAULT '',
  uploaded_s REAL NOT NULL,
  ended_s REAL
) STRICT
"""


class Job(msgspec.Struct, frozen=True):
    """An uploaded season as the ledger has it; times are seconds since 1970.

    `token` names the token it was uploaded with. `fence` rises whenever a server takes it; `attempts` counts how often
    it was begun and not given back.
    """

    id: str
    token: str
    request: WorkerRequest
    state: State
    fence: int
    attempts: int
    lease_until_s: float
    progress: JobProgress
    reason: str
    uploaded_s: float
    ended_s: float | None

    @property
    def done(self) -> bool:
        """Whether its results are there."""
        return self.state == "done"


class Ledger:
    """All jobs of a spool; safe to share between threads and processes of one machine.

    Parameters
    ----------
    folder
        The spool.

    Raises
    ------
    InputError
        ``other-ledger`` where there is one that this program did not make.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / LEDGER_FILE
        until = time.monotonic() + _BUSY_S
        while True:
            try:
                self._prepare()
                return
            except sqlite3.OperationalError:  # SQLite does not wait by itself where the mode changes
                if time.monotonic() > until:
                    raise
                time.sleep(0.02)
            except sqlite3.DatabaseError as error:
                raise self._other(str(error)) from error

    def _prepare(self) -> None:
        with closing(self._connect()) as connection:
            connection.execute("PRAGMA journal_mode = WAL")
        with self._writing() as connection:
            (version,) = connection.execute("PRAGMA user_version").fetchone()
            if version not in (0, VERSION):
                raise self._other(f"version {version}")
            connection.execute(_TABLE)
            connection.execute(f"PRAGMA user_version = {VERSION}")

    def _other(self, found: str) -> InputError:
        expected = f"a ledger of version {VERSION}, or another --spool"
        return InputError("other-ledger", where=str(self._path), expected=expected, found=found)

    def add(
        self, job: str, token: str, request: WorkerRequest, lease_s: float, max_jobs: int, max_of_token: int
    ) -> str:
        """Enter a job whose upload arrives; what stands against it: ``all`` or ``token`` where there are too many."""
        now = time.time()
        with self._writing() as connection:
            counts = dict(connection.execute("SELECT token, count(*) FROM jobs GROUP BY token"))
            if sum(counts.values()) >= max_jobs:
                return "all"
            if counts.get(token, 0) >= max_of_token:
                return "token"
            connection.execute(
                "INSERT INTO jobs (id, token, request, state, lease_until_s, progress, uploaded_s)"
                " VALUES (?, ?, ?, 'arriving', ?, ?, ?)",
                (
                    job,
                    token,
                    msgspec.json.encode(request),
                    now + lease_s,
                    msgspec.json.encode(JobProgress()),
                    now,
                ),
            )
        return ""

    def submit(self, job: str) -> bool:
        """Let an upload that has arrived wait for its turn; False where the job is gone."""
        return self._change("UPDATE jobs SET state = 'waiting' WHERE id = ? AND state = 'arriving'", job)

    def claim(self, lease_s: float, max_running: int, max_attempts: int) -> Job | None:
        """Take the job whose turn it is, or one whose lease has ended, under a new fence.

        One that was begun `max_attempts` times is ``interrupted`` instead. None where there is nothing to do, or as
        many jobs run as may.
        """
        now = time.time()
        with self._writing() as connection:
            connection.execute(
                "UPDATE jobs SET state = 'interrupted', ended_s = ?, reason = ?"
                " WHERE state = 'running' AND lease_until_s < ? AND attempts >= ?",
                (
                    now,
                    f"It was interrupted {max_attempts} times, as its server ended. Upload it again.",
                    now,
                    max_attempts,
                ),
            )
            running = "SELECT count(*) FROM jobs WHERE state = 'running' AND lease_until_s >= ?"
            if connection.execute(running, (now,)).fetchone()[0] >= max_running:
                return None
            row = connection.execute(
                "UPDATE jobs SET state = 'running', fence = fence + 1, attempts = attempts + 1, lease_until_s = ?,"
                " progress = ?"
                " WHERE id = (SELECT id FROM jobs WHERE state = 'waiting' OR state = 'running' AND lease_until_s < ?"
                " ORDER BY uploaded_s LIMIT 1) RETURNING *",
                (now + lease_s, msgspec.json.encode(JobProgress()), now),
            ).fetchone()
        return None if row is None else _job(row)

    def renew(self, job: Job, lease_s: float, progress: JobProgress) -> bool:
        """Hold a job for longer; False where somebody else has it by now, or it was removed."""
        return self._change(
            "UPDATE jobs SET lease_until_s = ?, progress = ? WHERE id = ? AND fence = ? AND state = 'running'",
            time.time() + lease_s, msgspec.json.encode(progress), job.id, job.fence,
        )  # fmt: skip

    def end(self, job: Job, state: State, reason: str, progress: JobProgress) -> bool:
        """Conclude a job; False where somebody else has it by now, or it was removed."""
        return self._change(
            "UPDATE jobs SET state = ?, reason = ?, progress = ?, ended_s = ?"
            " WHERE id = ? AND fence = ? AND state = 'running'",
            state, reason, msgspec.json.encode(progress), time.time(), job.id, job.fence,
        )  # fmt: skip

    def release(self, job: Job) -> bool:
        """Give a job back, for the next server to begin anew; the attempt does not count."""
        return self._change(
            "UPDATE jobs SET state = 'waiting', attempts = attempts - 1"
            " WHERE id = ? AND fence = ? AND state = 'running'",
            job.id, job.fence,
        )  # fmt: skip

    def get(self, job: str) -> Job | None:
        """A job by its id; one whose upload still arrives is not there."""
        found = self._read("SELECT * FROM jobs WHERE id = ? AND state != 'arriving'", job)
        return found[0] if found else None

    def all(self) -> list[Job]:
        """Every job whose upload has arrived, in the order of uploads."""
        return self._read("SELECT * FROM jobs WHERE state != 'arriving' ORDER BY uploaded_s, id")

    def remove(self, job: str) -> bool:
        """Strike a job out; False where it is gone already."""
        return self._change("DELETE FROM jobs WHERE id = ?", job)

    def remove_old(self, kept_s: float) -> list[str]:
        """Strike out jobs that ended long ago, and uploads that will not arrive any more; their ids."""
        now = time.time()
        with self._writing() as connection:
            rows = connection.execute(
                "DELETE FROM jobs WHERE ended_s < ? OR state = 'arriving' AND lease_until_s < ? RETURNING id",
                (now - kept_s, now),
            ).fetchall()
        return [row["id"] for row in rows]

    def ids(self) -> frozenset[str]:
        """Ids of all jobs, those that arrive included."""
        with closing(self._connect()) as connection:
            return frozenset(row["id"] for row in connection.execute("SELECT id FROM jobs"))

    def first_removal_s(self, kept_s: float, token: str | None = None) -> float:
        """How long until the first job (of a token) is removed by its age, s; `kept_s` where none has ended."""
        with closing(self._connect()) as connection:
            (ended,) = connection.execute(
                "SELECT min(ended_s) FROM jobs WHERE ?1 IS NULL OR token = ?1", (token,)
            ).fetchone()
        return kept_s if ended is None else max(ended + kept_s - time.time(), 0.0)

    def _read(self, query: str, *values: object) -> list[Job]:
        with closing(self._connect()) as connection:
            return [_job(row) for row in connection.execute(query, values)]

    def _change(self, query: str, *values: object) -> bool:
        with self._writing() as connection:
            return connection.execute(query, values).rowcount == 1

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        with closing(self._connect()) as connection:
            connection.execute("BEGIN IMMEDIATE")
            with connection:
                yield connection

    def _connect(self) -> sqlite3.Connection:
        connection = sqlite3.connect(
            self._path, timeout=_BUSY_S, isolation_level=None, check_same_thread=False
        )
        connection.row_factory = sqlite3.Row
        return connection


def _job(row: sqlite3.Row) -> Job:
    values = dict(row)
    values["request"] = msgspec.json.decode(values["request"], type=WorkerRequest)
    values["progress"] = msgspec.json.decode(values["progress"], type=JobProgress)
    return Job(**values)
