"""Jobs of servers that share a spool: held by leases, resumed, reported as interrupted, listed, removed."""

from __future__ import annotations

import os
import sqlite3
import stat
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from http_fakes import problem, serving, until

from faultml.errors import InputError
from faultml.service.ledger import LEDGER_FILE, Ledger
from faultml.service.spool import DEFAULT, open_spool
from faultml.service.worker_requests import JobProgress, WorkerRequest

PARQUET = "application/vnd.apache.parquet"
SEASON = b"PAR1 and no more"
DONE = '{"swings": 2, "seen": 2, "assessed": 2, "finished": true}'


@pytest.fixture
def program(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A program in the place of the one that classifies; it works until a file ``go`` is there, and notes when."""
    path = tmp_path / "program"
    path.write_text(
        f'#!/bin/sh\nread request\necho start >> {tmp_path}/notes\necho \'{{"swings": 2, "seen": 1}}\'\n'
        f"while [ ! -e {tmp_path}/go ]; do sleep 0.05; done\n"
        f"mkdir -p results-1\necho end >> {tmp_path}/notes\necho '{DONE}'\n"
    )
    path.chmod(0o755)
    monkeypatch.setattr("sys.executable", str(path))
    yield path
    (tmp_path / "go").touch()


def uploaded(client: httpx.Client) -> str:
    answer = client.post("/v1/seasons", content=SEASON, headers={"content-type": PARQUET})
    assert answer.status_code == 202, answer.text
    return str(answer.json()["id"])


def state(client: httpx.Client, job: str) -> str:
    return str(client.get(f"/v1/seasons/{job}").json()["state"])


def test_every_season_is_listed(tmp_path: Path, program: Path) -> None:
    with serving(tmp_path / "spool") as client:
        assert client.get("/v1/seasons").json() == {"seasons": []}
        jobs = [uploaded(client) for _ in range(3)]
        until(lambda: state(client, jobs[0]) == "running")
        document = client.get("/v1/seasons").json()["seasons"]
        assert [each["id"] for each in document] == jobs
        assert [each["state"] for each in document] == ["running", "waiting", "waiting"]
        assert document[1]["uploaded_at"].endswith("+00:00") and document[1]["ended_at"] == ""
        until(lambda: client.get(f"/v1/seasons/{jobs[0]}").json()["progress"] == 0.5)
        assert client.delete(f"/v1/seasons/{jobs[1]}").status_code == 204
        (tmp_path / "go").touch()
        until(lambda: state(client, jobs[2]) == "done")
        document = client.get("/v1/seasons").json()["seasons"]
        assert [(each["id"], each["state"]) for each in document] == [(jobs[0], "done"), (jobs[2], "done")]
        assert document[0]["ended_at"] >= document[0]["uploaded_at"]


def test_servers_that_share_a_spool_run_one_season_at_a_time(tmp_path: Path, program: Path) -> None:
    (tmp_path / "go").touch()
    with serving(tmp_path / "spool") as one, serving(tmp_path / "spool") as other:
        jobs = [uploaded(each) for each in (one, other, one, other)]
        until(lambda: all(state(other, job) == "done" for job in jobs))
        assert one.get("/v1/seasons").json() == other.get("/v1/seasons").json()
        assert (tmp_path / "notes").read_text().split() == ["start", "end"] * 4
        assert other.delete(f"/v1/seasons/{jobs[0]}").status_code == 204
        problem(one.get(f"/v1/seasons/{jobs[0]}"), 404, "unknown-season")


def test_more_may_run_at_once(tmp_path: Path, program: Path) -> None:
    limits = {"max_jobs_running": 2, "max_jobs": 3}
    with serving(tmp_path / "spool", **limits) as one, serving(tmp_path / "spool", **limits) as other:
        jobs = [uploaded(one) for _ in range(3)]
        until(lambda: [state(other, job) for job in jobs] == ["running", "running", "waiting"])
        problem(
            other.post("/v1/seasons", content=SEASON, headers={"content-type": PARQUET}),
            429,
            "too-many-seasons",
        )


def test_a_server_that_stops_gives_its_season_back(tmp_path: Path, program: Path) -> None:
    with serving(tmp_path / "spool") as client:
        job = uploaded(client)
        until(lambda: state(client, job) == "running")
    document = Ledger(tmp_path / "spool").get(job)
    assert document and (document.state, document.attempts) == ("waiting", 0)
    (tmp_path / "go").touch()
    with serving(tmp_path / "spool") as client:
        until(lambda: state(client, job) == "done")


def test_a_silent_server_loses_its_season(tmp_path: Path, program: Path) -> None:
    with serving(tmp_path / "spool", job_lease_s=1.0) as client:
        job = uploaded(client)
        until(lambda: state(client, job) == "running")
        with sqlite3.connect(tmp_path / "spool" / LEDGER_FILE) as connection:
            # Another has taken it over, as it would from one that had slept.
            connection.execute(
                "UPDATE jobs SET fence = 2, attempts = 2, lease_until_s = ?", (time.time() + 1000,)
            )
        until(lambda: not working(tmp_path))
        (tmp_path / "go").touch()
        document = client.get(f"/v1/seasons/{job}").json()
        assert (document["state"], document["reason"]) == ("running", "")
        assert not (tmp_path / "spool" / "seasons" / job / "results-1").exists()


def test_a_season_that_ends_its_server_is_reported(tmp_path: Path, program: Path) -> None:
    spool = open_spool(tmp_path / "spool", None)
    ledger = Ledger(spool)
    for job in ("j" * 24, "k" * 24):
        ledger.add(job, "", WorkerRequest(), 100.0, 9, 9)
        ledger.submit(job)
        (spool / "seasons" / job / "season").mkdir(parents=True)
    for _ in range(2):
        assert ledger.claim(0.0, 9, 3)
        time.sleep(0.01)
    (tmp_path / "go").touch()
    with serving(spool, max_attempts=2) as client:
        until(lambda: state(client, "k" * 24) == "done")
        document = client.get(f"/v1/seasons/{'j' * 24}").json()
        assert document["state"] == "interrupted" and document["reason"].startswith(
            "It was interrupted 2 times"
        )
        assert document["results"] == [] and document["ended_at"]
    with serving(spool):
        until(lambda: not (spool / "seasons" / ("j" * 24)).exists())


def test_what_nobody_knows_is_removed(tmp_path: Path) -> None:
    spool = open_spool(tmp_path / "spool", None)
    (spool / "seasons" / "left-over" / "season").mkdir(parents=True)
    Ledger(spool).add("killed-while-it-arrived", "", WorkerRequest(), -1.0, 9, 9)
    (spool / "seasons" / "killed-while-it-arrived").mkdir()
    (spool / "notes-of-somebody").mkdir()
    with serving(spool):
        until(lambda: not list((spool / "seasons").iterdir()))
    assert (spool / "notes-of-somebody").exists()


def test_how_long_to_wait_for_room_is_honest(tmp_path: Path) -> None:
    spool = open_spool(tmp_path / "spool", None)
    ledger = Ledger(spool)
    ledger.add("a" * 24, "", WorkerRequest(), 100.0, 9, 9)
    ledger.submit("a" * 24)
    job = ledger.claim(100.0, 9, 9)
    assert job and ledger.end(job, "done", "", JobProgress())
    with serving(spool, max_jobs=1, job_kept_s=500.0) as client:
        answer = client.post("/v1/seasons", content=SEASON, headers={"content-type": PARQUET})
        problem(answer, 429, "too-many-seasons")
        assert 300 < int(answer.headers["retry-after"]) <= 500


def test_the_spool_is_private_and_beside_the_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("FAULTML_STORE", raising=False)
    assert open_spool(None, None) == tmp_path / DEFAULT
    assert open_spool(None, tmp_path / "club" / "store.sqlite") == tmp_path / "club" / DEFAULT
    shared = tmp_path / "shared"
    shared.mkdir(mode=0o755)
    assert stat.S_IMODE(open_spool(shared, None).stat().st_mode) == 0o700
    (tmp_path / "link").symlink_to(shared)
    with pytest.raises(InputError, match="not-private"):
        open_spool(tmp_path / "link", None)
    (tmp_path / "file").touch()
    with pytest.raises(InputError, match="not-writable"):
        open_spool(tmp_path / "file", None)


def working(folder: Path) -> list[Any]:
    """Processes that work below a folder, where the system tells of them."""
    found = []
    for process in Path("/proc").glob("[0-9]*"):
        try:
            if process.name != str(os.getpid()) and (process / "cwd").readlink().is_relative_to(folder):
                found.append(process.name)
        except OSError:
            continue
    return found
