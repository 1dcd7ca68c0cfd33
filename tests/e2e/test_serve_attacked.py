"""Requests meant to use up a server that may open 256 files: it answers health checks throughout, and goes on after."""

from __future__ import annotations

import gzip
import json
import re
import resource
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from itertools import cycle
from pathlib import Path

import httpx
import pytest
from http_fakes import fake_swings, until

FILES = 256
MAX_WAIT_S = 10.0
"""Of one health check, on a machine that does other things as well."""


class Attacked:
    """A server in a process of its own, and what its health was while it was attacked."""

    def __init__(self, folder: Path) -> None:
        code = "from faultml.cli import main; main()"
        log = ["--log", str(folder / "log.jsonl")]
        command = [sys.executable, "-c", code, "serve", "--port", "0", "--spool", str(folder / "spool"), *log]
        self.log = folder / "log.jsonl"
        self.process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
            preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_NOFILE, (FILES, FILES)),
        )  # fmt: skip
        assert self.process.stdout is not None
        found = re.search(r"http://127\.0\.0\.1:(\d+)", self.process.stdout.readline())
        assert found
        self.port = int(found[1])
        self.base = f"http://127.0.0.1:{self.port}"
        until(lambda: self.healthy("/readyz"))

    def healthy(self, path: str = "/healthz") -> bool:
        """Whether it answers on a connection of its own."""
        try:
            return httpx.get(self.base + path, trust_env=False, timeout=MAX_WAIT_S).status_code == 200
        except httpx.TransportError:
            return False

    def files(self) -> int:
        return len(list(Path(f"/proc/{self.process.pid}/fd").iterdir()))

    @contextmanager
    def watched(self, least: int = 3) -> Iterator[None]:
        """Ask for its health all the while."""
        over, answers = threading.Event(), list[bool]()

        def watch() -> None:
            while not over.is_set() or len(answers) < least:
                answers.append(self.healthy())
                time.sleep(0.05)

        thread = threading.Thread(target=watch)
        thread.start()
        try:
            yield
        finally:
            over.set()
            thread.join()
        assert all(answers), f"{answers.count(False)} of {len(answers)} went unanswered"
        assert self.files() < FILES

    def connect(self) -> socket.socket:
        return socket.create_connection(("127.0.0.1", self.port), timeout=60)

    def head(self, request: str, *more: str) -> bytes:
        lines = [
            f"{request} HTTP/1.1",
            f"Host: localhost:{self.port}",
            "Content-Type: application/json",
            *more,
        ]
        return "\r\n".join([*lines, "", ""]).encode()


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Attacked]:
    attacked = Attacked(tmp_path_factory.mktemp("attacked"))
    yield attacked
    attacked.process.send_signal(signal.SIGINT)
    _, errors = attacked.process.communicate(timeout=60)
    assert attacked.process.returncode == 0 and "Traceback" not in errors
    lines = [json.loads(line) for line in attacked.log.read_text().splitlines()]
    assert [line for line in lines if line["event"] == "error"] == []


@pytest.fixture(autouse=True)
def goes_on(server: Attacked) -> Iterator[None]:
    """After an attack swings are assessed as before."""
    yield
    answer = httpx.post(
        f"{server.base}/v1/assess", json={"swings": fake_swings()}, trust_env=False, timeout=120
    )
    assert answer.status_code == 200 and answer.json()["swings"][0]["assessed"]


def sent(plain: socket.socket, data: bytes) -> bytes:
    """Send, and read until the server closes, in whatever way."""
    whole = b""
    with suppress(OSError):
        plain.sendall(data)
        plain.shutdown(socket.SHUT_WR)
        while part := plain.recv(1 << 16):
            whole += part
    return whole


def test_half_open_requests(server: Attacked) -> None:
    with server.watched(), ExitStack() as stack:
        for _ in range(400):
            with suppress(ConnectionError):
                stack.enter_context(server.connect()).sendall(b"POST /v1/assess HTTP/1.1\r\nHost: ")


def test_slow_heads_and_slow_bodies(server: Attacked) -> None:
    with server.watched(), ExitStack() as stack:
        slow = [stack.enter_context(server.connect()) for _ in range(120)]
        heads = [server.head("POST /v1/assess", "Content-Length: 900"), b"GET /healthz HTTP/1.1\r\nHost: "]
        for at, plain in enumerate(slow):
            with suppress(ConnectionError):
                plain.sendall(heads[at % 2])
        until_s = time.monotonic() + 5.0
        while time.monotonic() < until_s:
            for plain in slow:
                with suppress(OSError):
                    plain.send(b" ")
            time.sleep(0.2)


def test_clients_that_do_not_read(server: Attacked) -> None:
    with server.watched(), ExitStack() as stack:
        for _ in range(40):
            plain = stack.enter_context(socket.socket())
            plain.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            plain.connect(("127.0.0.1", server.port))
            plain.sendall(server.head("GET /openapi.json") * 100)
        time.sleep(3.0)


def swing(**fields: str) -> bytes:
    body = {"t_s": "[0]", "flexion_deg": "[0]", "ulnar_deg": "[0]", **fields}
    return ('{"swings": [{' + ", ".join(f'"{key}": {value}' for key, value in body.items()) + "}]}").encode()


HUGE_AND_DEEP: dict[str, Callable[[], bytes]] = {
    "a number of a million digits": lambda: swing(impact_s="1" * 1_000_000),
    "a name of 15 MB": lambda: swing(player='"' + "x" * 15_000_000 + '"'),
    "15 MB of samples": lambda: swing(t_s="[" + "0," * 7_000_000 + "0]"),
    "15 MB of brackets": lambda: b"[" * 15_000_000,
    "deep objects": lambda: b'{"swings":' * 100_000,
    "deep within a field": lambda: swing(t_s="[" * 1_000_000 + "]" * 1_000_000),
    "a million swings": lambda: b'{"swings": [' + b"{}," * 4_000_000 + b"{}]}",
    "a million unknown fields": lambda: b"{" + b",".join(b'"%d":0' % at for at in range(1_000_000)) + b"}",
}


@pytest.mark.parametrize(
    ("what", "path"),
    [
        *zip(HUGE_AND_DEEP, cycle(["/v1/assess", "/v1/labels"]), strict=False),
        ("a million swings", "/v1/labels"),
        ("a million unknown fields", "/v1/assess"),
    ],
)
def test_huge_and_deep_bodies(server: Attacked, what: str, path: str) -> None:
    body = HUGE_AND_DEEP[what]()
    statuses: list[int] = []

    def ask() -> None:
        answer = httpx.post(
            server.base + path, content=body, headers={"content-type": "application/json"}, trust_env=False,
            timeout=120,
        )  # fmt: skip
        statuses.append(answer.status_code)

    with server.watched():
        threads = [threading.Thread(target=ask) for _ in range(2)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert len(statuses) == 2 and set(statuses) <= {400, 404, 413, 422}, statuses


def test_packed_requests(server: Attacked) -> None:
    packed = gzip.compress(bytes(10_000_000))
    chunks = b"1\r\nx\r\n" * 200_000
    with server.watched():
        for data in (
            server.head("GET /healthz") * 3000,
            server.head("POST /v1/assess", "Content-Encoding: gzip", f"Content-Length: {len(packed)}")
            + packed,
            server.head("POST /v1/assess", "Transfer-Encoding: chunked") + chunks + b"0\r\n\r\n",
            server.head("POST /v1/assess", "Transfer-Encoding: chunked") + b"1" * 100_000,
            server.head("POST /v1/assess", f"Content-Length: {'9' * 5000}"),
            server.head("GET /healthz", *(f"X-{at}: 1" for at in range(2000))),
            b"GET /" + b"x" * 1_000_000,
        ):
            with server.connect() as plain:
                answer = sent(plain, data)
            assert re.fullmatch(rb"(HTTP/1.1 (200|400|413|415|422|431)|)", answer[:12]), answer[:100]


def test_a_form_of_many_large_files(server: Attacked) -> None:
    part = (
        b'--b\r\ncontent-disposition: form-data; name="season"; filename="a"\r\n\r\nPAR1'
        + bytes(1_100_000)
        + b"\r\n"
    )
    body = part * 100 + b"--b--\r\n"
    statuses: list[int] = []

    def upload() -> None:
        answer = httpx.post(
            f"{server.base}/v1/seasons", content=body, trust_env=False, timeout=240,
            headers={"content-type": "multipart/form-data; boundary=b"},
        )  # fmt: skip
        statuses.append(answer.status_code)
        if answer.status_code == 202:
            httpx.delete(server.base + answer.headers["location"], trust_env=False, timeout=120)

    with server.watched():
        threads = [threading.Thread(target=upload) for _ in range(2)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert len(statuses) == 2 and set(statuses) <= {202, 503}, statuses
