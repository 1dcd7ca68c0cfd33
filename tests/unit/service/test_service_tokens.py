"""Tokens: named, kept as hashes, each with limits of its own, taken out while the server runs."""

from __future__ import annotations

import stat
import threading
import time
from pathlib import Path

import httpx
import pytest
from click.testing import CliRunner
from http_fakes import problem, serving, until

from faultml.cli import main
from faultml.errors import InputError
from faultml.service.tokens import ENVIRONMENT, Tokens, add_token, digest, read_tokens, remove_token
from faultml.service.usage import Usage


def bearer(token: str) -> dict[str, str]:
    return {"authorization": f"Bearer {token}"}


def test_a_file_keeps_hashes_only(tmp_path: Path) -> None:
    file = tmp_path / "tokens.toml"
    ann, bob = add_token(file, "ann"), add_token(file, "bob.tablet", max_requests=3, max_seasons=1)
    text = file.read_text()
    assert ann not in text and bob not in text and digest(ann) in text
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    first, second = read_tokens(file)
    assert (first.name, first.max_requests, second.max_requests, second.max_seasons) == ("ann", 64, 3, 1)
    tokens = Tokens(file, "")
    assert tokens.find(ann) == first and tokens.find(bob) == second and tokens.find(f" {ann}\n") == first
    for wrong in ("", ann[:-1], first.sha256, f"{ann} {bob}"):
        assert tokens.find(wrong) is None
    remove_token(file, "ann")
    assert [token.name for token in read_tokens(file)] == ["bob.tablet"]


def test_wrong_files_and_names_are_refused(tmp_path: Path) -> None:
    file = tmp_path / "tokens.toml"
    add_token(file, "ann")
    for name, code in (
        ("ann", "token-exists"),
        ("Ann", "bad-name"),
        ("", "bad-name"),
        (ENVIRONMENT, "bad-name"),
    ):
        with pytest.raises(InputError, match=code):
            add_token(file, name)
    with pytest.raises(InputError, match="unknown-token"):
        remove_token(file, "bob")
    good = file.read_text()
    for text in ("nonsense", good + good, good.replace("max_requests = 64", "max_requests = 0"),
                 good.replace("added", "adedd"), good.replace('"ann"', f'"{ENVIRONMENT}"')):  # fmt: skip
        file.write_text(text)
        with pytest.raises(InputError, match="bad-tokens"):
            Tokens(file, "")
    file.write_text("")
    with pytest.raises(InputError, match="token-needed"):
        Tokens(file, "")


def test_the_command_prints_a_token_once(tmp_path: Path) -> None:
    file = str(tmp_path / "tokens.toml")
    made = CliRunner().invoke(main, ["token", "add", file, "ann", "--max-requests", "5"])
    assert made.exit_code == 0 and Tokens(Path(file), "").find(made.output)
    listed = CliRunner().invoke(main, ["token", "list", file]).output
    assert listed.startswith("ann: since 20") and "5 requests at once" in listed and made.output not in listed
    assert CliRunner().invoke(main, ["token", "remove", file, "ann"]).exit_code == 0
    assert CliRunner().invoke(main, ["token", "list", file]).output == ""


def test_each_token_is_let_in_until_it_is_taken_out(tmp_path: Path) -> None:
    file = tmp_path / "tokens.toml"
    ann, bob = add_token(file, "ann"), add_token(file, "bob")
    with serving(tmp_path / "spool", token_file=file, token="p" * 30) as client:
        for good in (ann, bob, "p" * 30):
            assert client.get("/v1/faults", headers=bearer(good)).status_code == 200
        problem(client.get("/v1/faults"), 401, "token-needed")
        remove_token(file, "ann")
        until(lambda: client.get("/v1/faults", headers=bearer(ann)).status_code == 401)
        assert client.get("/v1/faults", headers=bearer(bob)).status_code == 200
        new = add_token(file, "cid")
        until(lambda: client.get("/v1/faults", headers=bearer(new)).status_code == 200)
        file.write_text("half written")
        until(lambda: client.get("/v1/faults", headers=bearer(bob)).status_code == 401)


def test_limits_are_the_tokens_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import faultml.service.swing_routes as routes

    go, entered = threading.Event(), threading.Event()

    def held(*_: object) -> bytes:
        entered.set()
        assert go.wait(60)
        return b"{}"

    file = tmp_path / "tokens.toml"
    ann = add_token(file, "ann", max_requests=1, max_seasons=1)
    bob = add_token(file, "bob", max_requests_a_minute=3)
    with serving(tmp_path / "spool", token_file=file) as client:
        with monkeypatch.context() as patched:
            patched.setattr(routes, "_answer", held)
            thread = threading.Thread(
                target=lambda: client.post("/v1/assess", content=b"", headers=bearer(ann))
            )
            thread.start()
            assert entered.wait(60)
            answer = client.get("/v1/faults", headers=bearer(ann))
            problem(answer, 429, "too-many-requests")
            assert int(answer.headers["retry-after"]) >= 1
            assert client.get("/v1/faults", headers=bearer(bob)).status_code == 200
            assert client.get("/healthz").status_code == 200
            go.set()
            thread.join()

        kind = {"content-type": "application/vnd.apache.parquet"}
        season = {"url": "/v1/seasons", "content": b"PAR1 and no more", "headers": bearer(ann) | kind}
        assert client.post(**season).status_code == 202  # type: ignore[arg-type]
        assert "of this token" in problem(client.post(**season), 429, "too-many-seasons")["detail"]  # type: ignore[arg-type]

        statuses = [client.get("/v1/faults", headers=bearer(bob)).status_code for _ in range(3)]
        assert statuses == [200, 200, 429]
        with serving(tmp_path / "spool", token_file=file) as other:
            answer = other.get("/v1/faults", headers=bearer(bob))
        problem(answer, 429, "too-many-a-minute")
        assert 10 < int(answer.headers["retry-after"]) <= 20


def test_requests_are_due_evenly_over_a_minute(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    clock = [1000.0]
    monkeypatch.setattr(time, "time", lambda: clock[0])
    one, other = Usage(tmp_path), Usage(tmp_path)
    assert [each.count("ann", 4) for each in (one, other, one, other)] == [0, 0, 0, 0]
    assert one.count("ann", 4) == other.count("ann", 4) == 15.0, "what is refused is not counted"
    assert one.count("bob", 4) == 0
    clock[0] += 15.0
    assert other.count("ann", 4) == 0 and one.count("ann", 4) == 15.0
    clock[0] += 3600.0
    assert [one.count("ann", 4) for _ in range(4)] == [0, 0, 0, 0] and one.count("ann", 4) == 15.0
    clock[0] -= 1e6
    assert one.count("ann", 4) == 60.0, "a clock that was wrong asks for a minute at most"


def test_what_cannot_be_counted_is_not_let_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import sqlite3

    def locked(*_: object) -> float:
        raise sqlite3.OperationalError("database is locked")

    monkeypatch.setattr(Usage, "count", locked)
    with serving(tmp_path, token="p" * 30) as client:
        answer: httpx.Response = client.get("/v1/faults", headers=bearer("p" * 30))
        problem(answer, 503, "busy")
        assert answer.headers["retry-after"] == "1"
