"""Servers that are killed or put to sleep while they classify a season: another one, or the next one, goes on."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest
from http_fakes import until

from faultml.faults.catalogue import load_catalogue
from faultml.recordings.write import write_season
from faultml.results import read_results
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import draw_season

pytestmark = pytest.mark.skipif(
    not Path("/proc/self/cwd").exists(), reason="the system does not tell of processes"
)

PARQUET = "application/vnd.apache.parquet"
SERVER = """
import sys
from pathlib import Path
from faultml.service import Limits, Settings, create_app
from faultml.service.server import listen, server
from faultml.service.settings import allowed_hosts
with listen("127.0.0.1", 0) as taken:
    port = taken.getsockname()[1]
    hosts, limits = allowed_hosts("127.0.0.1", port), Limits(job_lease_s=2.0)
    app = create_app(Settings(hosts=hosts, spool=Path(sys.argv[1]), store=Path(sys.argv[2]), limits=limits))
    sys.stdout.write(f"{port}\\n")
    sys.stdout.flush()
    server(app).run(sockets=[taken])
"""


class Server:
    """A server in a process of its own."""

    def __init__(self, folder: Path) -> None:
        command = [sys.executable, "-c", SERVER, str(folder / "spool"), str(folder / "store.sqlite")]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        assert self.process.stdout is not None
        address = f"http://127.0.0.1:{int(self.process.stdout.readline())}"
        self.client = httpx.Client(base_url=address, timeout=120, trust_env=False)
        until(self.answers)

    def answers(self) -> bool:
        try:
            return self.client.get("/healthz").status_code == 200
        except httpx.TransportError:
            return False

    def state(self, job: str) -> str:
        return str(self.client.get(f"/v1/seasons/{job}").json()["state"])

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()


@contextmanager
def servers(folder: Path, count: int) -> Iterator[list[Server]]:
    running: list[Server] = []
    try:
        for _ in range(count):
            running.append(Server(folder))
        yield running
    finally:
        for each in running:
            each.process.send_signal(signal.SIGCONT)
            each.process.terminate()
        for each in running:
            each.process.wait(60)
            each.client.close()


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("season") / "season.parquet"
    write_season(draw_season(load_catalogue(), Recipe(golfers=2, sessions=2, swings=5, seed=14)).batch, path)
    return path.read_bytes()


def begun(server: Server, season: bytes, folder: Path) -> str:
    """A season that the server's own process has begun to classify."""
    answer = server.client.post("/v1/seasons", content=season, headers={"content-type": PARQUET})
    job = str(answer.json()["id"])
    until(lambda: server.state(job) == "running" and workers(folder / "spool" / "seasons" / job))
    return job


def workers(place: Path) -> list[int]:
    found = []
    for process in Path("/proc").glob("[0-9]*"):
        try:
            if (process / "cwd").readlink() == place:
                found.append(int(process.name))
        except OSError:
            continue
    return found


def finished(server: Server, job: str, folder: Path, attempt: int) -> None:
    """The season is done, by this attempt, whole and once."""
    until(lambda: server.state(job) == "done")
    own = folder / "spool" / "seasons" / job
    until(lambda: [path.name for path in own.iterdir()] == [f"results-{attempt}"])
    assert read_results(own / f"results-{attempt}").players["player"].nunique() == 2
    answer = server.client.get(f"/v1/seasons/{job}/results/run.json")
    assert answer.status_code == 200 and len(server.client.get("/v1/seasons").json()["seasons"]) == 1


def test_a_killed_server_goes_on_where_it_was(season: bytes, tmp_path: Path) -> None:
    with servers(tmp_path, 1) as (first,):
        job = begun(first, season, tmp_path)
        first.kill()
        until(lambda: not workers(tmp_path / "spool" / "seasons" / job))
    with servers(tmp_path, 1) as (second,):
        assert second.state(job) == "running"
        finished(second, job, tmp_path, 2)


def test_another_server_takes_over_from_a_killed_one(season: bytes, tmp_path: Path) -> None:
    with servers(tmp_path, 2) as (first, second):
        job = begun(first, season, tmp_path)
        (process,) = workers(tmp_path / "spool" / "seasons" / job)
        owner, other = (first, second) if parent(process) == first.process.pid else (second, first)
        owner.kill()
        finished(other, job, tmp_path, 2)


def test_a_server_that_slept_changes_nothing_when_it_wakes(season: bytes, tmp_path: Path) -> None:
    with servers(tmp_path, 2) as (first, second):
        job = begun(first, season, tmp_path)
        (process,) = workers(tmp_path / "spool" / "seasons" / job)
        sleeper, other = (first, second) if parent(process) == first.process.pid else (second, first)
        for each in (sleeper.process.pid, process):
            os.kill(each, signal.SIGSTOP)
        finished(other, job, tmp_path, 2)
        for each in (process, sleeper.process.pid):
            os.kill(each, signal.SIGCONT)
        until(lambda: not workers(tmp_path / "spool" / "seasons" / job))
        time.sleep(1.0)  # for what it would do yet
        finished(other, job, tmp_path, 2)
        assert (
            sleeper.client.get(f"/v1/seasons/{job}").json() == other.client.get(f"/v1/seasons/{job}").json()
        )


def parent(process: int) -> int:
    return int(Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()[1])
