"""Who is let in: host, token, origin, sizes, counts; what goes out with every answer; what is logged."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from http_fakes import problem, serving

from faultml.errors import InputError
from faultml.service.request_guard import HEADERS
from faultml.service.settings import allowed_hosts, read_token

TOKEN = "a-token-of-twenty-four-letters-or-more"


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[httpx.Client]:
    with serving(tmp_path_factory.mktemp("spool"), max_body_bytes=300_000, max_body_s=2.0) as client:
        yield client


OTHER_HOSTS = (
    "evil.example", "evil.example:{port}", "127.0.0.1", "localhost:1", "localhost.:{port}", "localhost:0{port}",
    "localhost:{port}/", "localhost:{port}.evil.example", "localhost:{port}@evil.example",
)  # fmt: skip


@pytest.mark.parametrize("host", OTHER_HOSTS)
def test_another_host_is_refused(client: httpx.Client, host: str) -> None:
    port = client.base_url.port
    problem(client.get("/healthz", headers={"host": host.format(port=port)}), 421, "wrong-host")
    for own in ("localhost", "LOCALHOST", "[::1]"):
        assert client.get("/healthz", headers={"host": f"{own}:{port}"}).status_code == 200


def test_a_request_names_one_host(client: httpx.Client) -> None:
    port = client.base_url.port
    for named in (b"", b"Host: 127.0.0.1:%d\r\nHost: evil.example\r\n" % port):
        with socket.create_connection(("127.0.0.1", port)) as plain:
            plain.sendall(b"GET /healthz HTTP/1.0\r\n" + named + b"\r\n")
            answer = b"".join(iter(lambda: plain.recv(4096), b""))
        assert answer.startswith(b"HTTP/1.1 400")


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "https://evil.example"},
        {"origin": "null"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
)
def test_a_page_of_another_site_changes_nothing(client: httpx.Client, headers: dict[str, str]) -> None:
    problem(client.post("/v1/assess", json={}, headers=headers), 403, "wrong-origin")
    problem(client.delete("/v1/seasons/aaaaaaaaaaaa", headers=headers), 403, "wrong-origin")
    own = {"origin": str(client.base_url).rstrip("/"), "sec-fetch-site": "same-origin"}
    problem(client.post("/v1/assess", json={}, headers=own), 422, "invalid")


def test_no_answer_may_be_read_by_another_site(client: httpx.Client) -> None:
    for path in ("/healthz", "/v1/faults", "/nothing", "/openapi.json"):
        answer = client.get(path, headers={"origin": "https://evil.example"})
        assert not [name for name in answer.headers if name.startswith("access-control")]
        assert {name: answer.headers[name] for name in HEADERS} == HEADERS
        assert "server" not in answer.headers
    preflight = {"origin": "https://evil.example", "access-control-request-method": "POST"}
    assert client.options("/v1/assess", headers=preflight).status_code in (403, 405)


def test_a_large_body_is_refused_with_and_without_its_length(client: httpx.Client) -> None:
    large = b" " * 300_001
    for content in (large, iter([large[:200_000], large[200_000:]])):
        answer = client.post("/v1/assess", content=content, headers={"content-type": "application/json"})
        problem(answer, 413, "too-large")
    answer = client.post("/v1/assess", content=b"{}", headers={"content-encoding": "gzip"})
    problem(answer, 415, "packed-body")


def test_a_body_that_never_comes_is_given_up(client: httpx.Client) -> None:
    port = client.base_url.port
    head = f"POST /v1/assess HTTP/1.1\r\nHost: localhost:{port}\r\nContent-Length: 100\r\n\r\n{{"
    with socket.create_connection(("127.0.0.1", port), timeout=30) as plain:
        plain.sendall(head.encode())
        assert plain.recv(100).startswith(b"HTTP/1.1 408")


def test_what_a_proxy_would_say_is_not_believed(client: httpx.Client) -> None:
    headers = {
        "x-forwarded-host": "evil.example",
        "x-forwarded-for": "192.0.2.7",
        "forwarded": "host=evil.example",
    }
    assert client.get("/healthz", headers=headers).status_code == 200
    problem(client.get("/healthz", headers=headers | {"host": "evil.example"}), 421, "wrong-host")


def test_head_is_get_without_a_body(client: httpx.Client) -> None:
    for path, status in (("/healthz", 200), ("/v1/faults", 200), ("/nothing", 404), ("/v1/assess", 405)):
        asked, whole = client.head(path), client.get(path)
        assert asked.status_code == whole.status_code == status and asked.content == b""
        assert asked.headers["content-length"] == str(len(whole.content))
    for path, allowed in (("/v1/assess", "POST"), ("/v1/labels", "GET, HEAD, POST"), ("/openapi.json", "GET, HEAD"),
                          ("/v1/seasons/aaaaaaaaaaaa", "DELETE, GET, HEAD"), ("/v1/seasons", "GET, HEAD, POST"),
                          ("/v1/players/a/b/drills", "GET, HEAD, POST")):  # fmt: skip
        for method in ("OPTIONS", "PATCH"):
            answer = client.request(method, path)
            problem(answer, 405, "method-not-allowed")
            assert answer.headers["allow"] == allowed


def test_unknown_routes_and_methods_are_problems(client: httpx.Client) -> None:
    problem(client.get("/"), 404, "not-found")
    problem(client.get("/v1/faults/"), 404, "not-found")
    problem(client.get("/v1/assess"), 405, "method-not-allowed")
    problem(client.request("BREW", "/v1/faults"), 405, "method-not-allowed")
    document = problem(client.get("/v1/labels?offset=x"), 422, "invalid")
    assert document["errors"][0]["part"] == "query" and document["errors"][0]["pointer"] == "/offset"


def test_a_token_is_asked_for(tmp_path: Path) -> None:
    with serving(tmp_path, token=TOKEN) as client:
        assert client.get("/healthz").status_code == client.get("/readyz").status_code == 200
        for wrong in ("", "Bearer", f"Bearer {TOKEN}x", f"Basic {TOKEN}", TOKEN, "Bearer \xe9"):
            headers = {"authorization": wrong.encode("latin-1")} if wrong else {}
            answer = client.get("/v1/faults", headers=headers)
            problem(answer, 401, "token-needed")
            assert answer.headers["www-authenticate"].startswith("Bearer")
        assert client.get("/v1/faults", headers={"authorization": f"bearer {TOKEN}"}).status_code == 200


def test_others_than_this_machine_need_a_token(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("FAULTML_TOKEN", raising=False)
    assert read_token(None, "127.0.0.1") == read_token(None, "localhost") == read_token(None, "::1") == ""
    for host in ("0.0.0.0", "::", "192.0.2.7", "club.example"):
        with pytest.raises(InputError, match="token-needed"):
            read_token(None, host)
    file = tmp_path / "token"
    for said, code in (
        ("", "token-needed"),
        ("short", "token-too-short"),
        (f"{TOKEN}\nmore", "token-too-short"),
    ):
        file.write_text(said)
        with pytest.raises(InputError, match=code):
            read_token(file, "127.0.0.1")
    file.write_text(f"{TOKEN}\n")
    assert read_token(file, "0.0.0.0") == TOKEN
    monkeypatch.setenv("FAULTML_TOKEN", TOKEN)
    assert read_token(None, "0.0.0.0") == TOKEN


def test_a_server_knows_its_names() -> None:
    assert allowed_hosts("127.0.0.2", 80) == (
        "127.0.0.1:80", "localhost:80", "[::1]:80", "127.0.0.1", "localhost", "[::1]",
    )  # fmt: skip
    assert allowed_hosts("192.0.2.7", 81, ("Club.example", "c:82")) == (
        "192.0.2.7:81",
        "club.example:81",
        "c:82",
    )
    assert allowed_hosts("::", 81, ("club.example",)) == ("club.example:81",)
    with pytest.raises(InputError, match="host-needed"):
        allowed_hosts("0.0.0.0", 81)


def test_too_many_at_once_are_asked_to_wait(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import faultml.service.swing_routes as routes

    go, entered = threading.Event(), threading.Semaphore(0)

    def held(*_: object) -> bytes:
        entered.release()
        assert go.wait(60)
        return b"{}"

    limits = {"max_running": 1, "max_waiting": 1, "max_requests_of_a_client": 3}
    with serving(tmp_path, **limits) as client:
        monkeypatch.setattr(routes, "_answer", held)
        statuses: list[int] = []
        threads = [
            threading.Thread(
                target=lambda: statuses.append(client.post("/v1/assess", content=b"").status_code)
            )
            for _ in range(2)
        ]
        for thread in threads:
            thread.start()
        assert entered.acquire(timeout=60)
        time.sleep(0.5)  # for the second to wait; were it late, the third would only be let in
        answer = client.post("/v1/assess", content=b"")
        problem(answer, 503, "busy")
        assert answer.headers["retry-after"]
        go.set()
        for thread in threads:
            thread.join()
        assert statuses == [200, 200]


def test_too_many_of_one_client(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import faultml.service.swing_routes as routes

    go, entered = threading.Event(), threading.Event()

    def held(*_: object) -> bytes:
        entered.set()
        assert go.wait(60)
        return b"{}"

    with serving(tmp_path, max_requests_of_a_client=1) as client:
        monkeypatch.setattr(routes, "_answer", held)
        thread = threading.Thread(target=lambda: client.post("/v1/assess", content=b""))
        thread.start()
        assert entered.wait(60)
        answer = client.get("/v1/faults")
        problem(answer, 429, "too-many-requests")
        assert answer.headers["retry-after"]
        go.set()
        thread.join()
        assert client.get("/v1/faults").status_code == 200


def test_what_takes_too_long_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import faultml.service.swing_routes as routes

    go = threading.Event()
    with serving(tmp_path, max_assessment_s=5.0) as client:
        monkeypatch.setattr(routes, "_answer", lambda *_: b"{}" if go.wait(60) else b"")
        problem(client.post("/v1/assess", content=b""), 503, "too-slow")
        go.set()
