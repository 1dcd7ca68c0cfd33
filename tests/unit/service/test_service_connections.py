"""Connections: deadlines for heads, bodies, reading and idling, and who is closed where there are too many."""

from __future__ import annotations

import resource
import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import httpx
import pytest
from http_fakes import fake_swings, serving, until

from faultml.service.connections import max_connections
from faultml.service.settings import Limits

HALF = b"GET /healthz HTTP/1.1\r\nHost: "


@contextmanager
def connected(client: httpx.Client) -> Iterator[socket.socket]:
    with socket.create_connection(("127.0.0.1", client.base_url.port or 0), timeout=60) as plain:
        yield plain


def received(plain: socket.socket) -> bytes:
    """Everything until the server closes, in whatever way."""
    whole = b""
    try:
        while part := plain.recv(1 << 16):
            whole += part
    except ConnectionError:
        pass
    return whole


def head(client: httpx.Client, request: str, more: str = "") -> bytes:
    return f"{request} HTTP/1.1\r\nHost: localhost:{client.base_url.port}\r\n{more}\r\n".encode()


def test_a_head_that_never_ends_is_given_up(tmp_path: Path) -> None:
    with serving(tmp_path, max_head_s=0.5) as client, connected(client) as silent, connected(client) as slow:
        slow.sendall(HALF)
        for plain in (silent, slow):
            answer = received(plain)
            assert answer.startswith(b"HTTP/1.1 408") and b"application/problem+json" in answer
        # A client that drips does not gain time, nor does one whose earlier request was answered.
        with connected(client) as dripping:
            dripping.sendall(head(client, "GET /healthz"))
            assert dripping.recv(4096).startswith(b"HTTP/1.1 200")
            started = time.monotonic()
            with pytest.raises(ConnectionError):
                while time.monotonic() - started < 30:
                    dripping.sendall(b"G")
                    time.sleep(0.1)
            assert received(dripping).startswith((b"", b"HTTP/1.1 408"))


def test_half_open_requests_do_not_stop_the_server(tmp_path: Path) -> None:
    with serving(tmp_path, max_connections=20) as client, ExitStack() as stack:
        half = [stack.enter_context(connected(client)) for _ in range(60)]
        for plain in half:
            plain.sendall(HALF)
        for _ in range(5):
            assert httpx.get(f"{client.base_url}/healthz", trust_env=False, timeout=60).status_code == 200
        # The oldest were closed, the newest are still waited for.
        assert received(half[0]) == b""
        half[-1].sendall(b"localhost:%d\r\n\r\n" % (client.base_url.port or 0))
        assert half[-1].recv(100).startswith(b"HTTP/1.1 200")


def test_who_is_at_work_is_not_closed_for_newcomers(tmp_path: Path) -> None:
    with serving(tmp_path, max_connections=4) as client, ExitStack() as stack:
        working = stack.enter_context(connected(client))
        working.sendall(
            head(client, "POST /v1/assess", "Content-Length: 9\r\nContent-Type: application/json\r\n")
        )
        for _ in range(12):
            stack.enter_context(connected(client)).sendall(HALF)
            working.sendall(b"x")
            time.sleep(0.02)
            if _ == 8:
                break
        assert working.recv(100).startswith(b"HTTP/1.1 422")


def test_the_process_may_open_files_beside_its_connections(monkeypatch: pytest.MonkeyPatch) -> None:
    for files, expected in ((256, 160), (100_000, 1000), (64, 16), (resource.RLIM_INFINITY, 1000)):
        monkeypatch.setattr(resource, "getrlimit", lambda _, files=files: (files, files))
        assert max_connections(Limits()) == expected


def test_a_body_that_pauses_is_given_up(tmp_path: Path) -> None:
    with serving(tmp_path, max_pause_s=0.3, max_upload_s=1.5) as client:
        for path in ("/v1/assess", "/v1/seasons", "/v1/labels"):
            with connected(client) as plain:
                plain.sendall(
                    head(client, f"POST {path}", "Content-Length: 9\r\nContent-Type: text/csv\r\n") + b"x"
                )
                assert received(plain).startswith(b"HTTP/1.1 408"), path
        with connected(client) as dripping:
            dripping.sendall(
                head(client, "POST /v1/seasons", "Content-Length: 900\r\nContent-Type: text/csv\r\n")
            )
            started = time.monotonic()
            try:
                while time.monotonic() - started < 60:
                    dripping.sendall(b"x")
                    time.sleep(0.1)
            except ConnectionError:
                pass
            assert 1.0 < time.monotonic() - started < 60


def test_a_refused_body_is_not_read_for_ever(tmp_path: Path) -> None:
    with serving(tmp_path, token="t" * 30) as client, connected(client) as plain:
        plain.sendall(head(client, "POST /v1/assess", "Content-Length: 9000000\r\n"))
        assert plain.recv(4096).startswith(b"HTTP/1.1 401")
        started = time.monotonic()
        with pytest.raises(ConnectionError):
            while time.monotonic() - started < 60:
                plain.sendall(b"x")
                time.sleep(0.1)


def test_a_client_that_does_not_read_is_given_up(tmp_path: Path) -> None:
    with serving(tmp_path, max_unread_s=0.5) as client:
        plain = socket.socket()
        plain.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        with plain:
            plain.settimeout(60)
            plain.connect(("127.0.0.1", client.base_url.port))
            plain.sendall(head(client, "GET /openapi.json") * 200)
            time.sleep(3.0)
            whole = received(plain)
            assert whole.count(b"HTTP/1.1 200") < 200


def test_what_is_no_http_is_a_problem(tmp_path: Path) -> None:
    with serving(tmp_path) as client:
        for sent, status in (
            (b"\x16\x03\x01\x02\x00\x01\r\n\r\n", b"400"),
            (b"GET / HTTP/1.1\r\nHost: a b\x00\r\n\r\n", b"400"),
            (b"GET /" + b"x" * 40_000, b"431"),
        ):
            with connected(client) as plain:
                plain.sendall(sent)
                answer = received(plain)
            assert answer.startswith(b"HTTP/1.1 " + status) and b"application/problem+json" in answer, sent[
                :20
            ]
        with connected(client) as plain:  # while an answer is being made
            plain.sendall(
                head(client, "POST /v1/assess", "Transfer-Encoding: chunked\r\n") + b"nonsense\r\n\r\n"
            )
            assert received(plain).startswith(b"HTTP/1.1 400")
        assert client.get("/healthz").status_code == 200


def test_a_client_that_leaves_is_no_error(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("INFO")
    with serving(tmp_path) as client:
        for path, kind in (
            ("/v1/assess", "application/json"), ("/v1/seasons", "text/csv"), ("/v1/labels", "application/json"),
            ("/v1/seasons", "multipart/form-data; boundary=b"),
        ):  # fmt: skip
            with connected(client) as plain:
                plain.sendall(
                    head(client, f"POST {path}", f"Content-Length: 99\r\nContent-Type: {kind}\r\n") + b"--b"
                )
                time.sleep(0.2)
        with connected(client) as plain:
            plain.sendall(
                head(client, "POST /v1/assess", "Content-Length: 2\r\nContent-Type: application/json\r\n")
            )
            plain.sendall(b"{}")
        until(
            lambda: (
                [record.faultml_event.status for record in caplog.records if record.msg == "request"].count(
                    499
                )
                == 4
            )
        )
        assert client.post("/v1/assess", json={"swings": fake_swings()}).status_code == 200
    assert [record for record in caplog.records if record.levelname in ("ERROR", "CRITICAL")] == []
    assert "Traceback" not in caplog.text
