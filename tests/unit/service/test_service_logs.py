"""The log: lines of JSON, of bounded size, that repeat nothing that was sent."""

from __future__ import annotations

import json
import logging
from collections.abc import Iterator
from pathlib import Path

import pytest
from http_fakes import fake_swings, problem, serving, until

from faultml.errors import InputError
from faultml.service import logs
from faultml.service.logs import Event, start_log, write

NAME = "Rosamund"


@pytest.fixture
def file(tmp_path: Path) -> Iterator[Path]:
    """A log that this process writes, until the test ends."""
    root, own = logging.getLogger(), logging.getLogger("faultml.service")
    before = root.handlers, root.level, own.level
    start_log(tmp_path / "log.jsonl")
    yield tmp_path / "log.jsonl"
    for handler in root.handlers:
        handler.close()
    root.handlers, root.level, own.level = before


def lines(file: Path) -> list[dict[str, object]]:
    return [json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()]


def test_an_error_of_ours_says_where_and_never_what(
    tmp_path: Path, file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import faultml.service.swing_routes as routes

    def broken(*_: object) -> bytes:
        raise ZeroDivisionError(NAME)

    with serving(tmp_path / "spool", token="p" * 30) as client:
        client.headers["authorization"] = f"Bearer {'p' * 30}"
        monkeypatch.setattr(routes, "_answer", broken)
        problem(client.post("/v1/assess", json={"swings": fake_swings()}), 500, "internal-error")
        client.get(f"/v1/players/{NAME}/drills?player={NAME}")
        client.request(NAME, f"/{NAME}")
        until(lambda: [line for line in lines(file) if line.get("status") == 405 or line.get("route") == "-"])
    document = lines(file)
    error = next(line for line in document if line["event"] == "error")
    assert (error["error"], error["level"]) == ("ZeroDivisionError", "error")
    assert str(error["places"][-1]).endswith(" broken") and "/site-packages/" not in str(error)  # type: ignore[index]
    asked = next(line for line in document if line.get("route") == "/v1/players/{player:path}/drills")
    assert (asked["method"], asked["status"], asked["token"]) == ("GET", 404, "environment")
    assert (
        NAME not in file.read_text()
        and str(tmp_path) not in file.read_text()
        and "p" * 30 not in file.read_text()
    )


def test_a_worker_that_fails_says_where(tmp_path: Path, file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    program = tmp_path / "program"
    program.write_text(
        '#!/bin/sh\necho \'{"error": "KeyError", "places": ["a.py:1 f"]}\'\necho Rosamund >&2\n'
    )
    program.chmod(0o755)
    monkeypatch.setattr("sys.executable", str(program))
    with serving(tmp_path / "spool") as client:
        kind = {"content-type": "application/vnd.apache.parquet"}
        job = client.post("/v1/seasons", content=b"PAR1 and no more", headers=kind).json()["id"]
        until(lambda: client.get(f"/v1/seasons/{job}").json()["state"] == "failed")
    error = next(line for line in lines(file) if line["event"] == "error")
    assert (error["error"], error["places"]) == ("KeyError", ["a.py:1 f"])
    season = next(line for line in lines(file) if line["event"] == "season")
    assert (season["state"], season["attempt"]) == ("failed", 1)
    assert NAME not in file.read_text()


def test_of_other_libraries_only_who_and_where(file: Path) -> None:
    try:
        raise ValueError(NAME)
    except ValueError:
        logging.getLogger("asyncio").exception("Task failed: %r", NAME)
    logging.getLogger("uvicorn.error").warning("Invalid request by %s", NAME)
    logging.getLogger("numba").info("not written")
    first, second = lines(file)
    assert (first["event"], first["logger"], first["error"]) == ("library", "asyncio", "ValueError")
    assert (second["logger"], second["level"]) == ("uvicorn.error", "warning")
    assert "test_service_logs.py" in str(second["places"]) and NAME not in file.read_text()


def test_the_log_is_bounded(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    handler = logging.getLogger().handlers[0]
    monkeypatch.setattr(handler, "maxBytes", 2000)
    for _ in range(400):
        write(Event("request", "GET", "/healthz", 200, 1.5))
    written = list(file.parent.glob("log.jsonl*"))
    assert len(written) == 1 + logs.KEPT_FILES and all(each.stat().st_size <= 2000 for each in written)


def test_a_log_that_cannot_be_written_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="not-writable"):
        start_log(tmp_path / "no" / "log.jsonl")
