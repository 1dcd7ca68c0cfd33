"""Every limit has its test: each is run into by a real request, and answered with a problem document."""

from __future__ import annotations

import errno
import os
import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import fields
from pathlib import Path

import httpx
import pytest
from http_fakes import fake_swings, problem, serving, until

from faultml.service import Limits

PARQUET = "application/vnd.apache.parquet"
TESTS = Path(__file__).parents[2]


def test_every_limit_is_tested() -> None:
    asking = [*TESTS.glob("unit/service/test_*.py"), TESTS / "e2e" / "test_serve.py"]
    sources = "".join(path.read_text(encoding="utf-8") for path in asking)
    assert [
        limit.name for limit in fields(Limits) if not re.search(rf'{limit.name}"?[=:] ?\d', sources)
    ] == []


@contextmanager
def held(monkeypatch: pytest.MonkeyPatch, module: str, function: str) -> Iterator[threading.Event]:
    """While inside, a function of the service enters and does not come back; its event tells of it."""
    go, entered = threading.Event(), threading.Event()

    def wait(*_: object) -> dict[str, object]:
        entered.set()
        assert go.wait(60)
        return {}

    monkeypatch.setattr(f"faultml.service.{module}.{function}", wait)
    try:
        yield entered
    finally:
        go.set()


def test_too_many_requests_of_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with serving(tmp_path, max_requests=1) as client:
        with held(monkeypatch, "book_routes", "_player_drills") as entered:
            thread = threading.Thread(target=lambda: client.get("/v1/players/p1/drills"))
            thread.start()
            assert entered.wait(60)
            answer = client.get("/v1/faults")
            problem(answer, 503, "busy")
            assert answer.headers["retry-after"]
        thread.join()
        assert client.get("/v1/faults").status_code == 200


def test_what_takes_too_long_to_read_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with serving(tmp_path, max_read_s=0.2) as client, held(monkeypatch, "book_routes", "_player_drills"):
        answer = client.get("/v1/players/p1/drills")
        problem(answer, 503, "too-slow")
        assert answer.headers["retry-after"]


def test_a_season_that_takes_too_long_has_failed(tmp_path: Path) -> None:
    with serving(tmp_path, max_job_s=0.01) as client:
        job = uploaded(client)["id"]
        until(lambda: client.get(f"/v1/seasons/{job}").json()["state"] == "failed")
        document = client.get(f"/v1/seasons/{job}").json()
        assert document["reason"] == "It took longer than 0.01 s." and document["results"] == []
        for path in ("watch", "results/run.json"):
            problem(client.get(f"/v1/seasons/{job}/{path}"), 404, "no-such-result")
        assert not (tmp_path / "seasons" / str(job)).exists(), "of what failed nothing is kept"


def test_too_many_files(tmp_path: Path) -> None:
    with serving(tmp_path, max_upload_files=2) as client:
        file = ("season", ("a", b"PAR1 and no more"))
        document = problem(client.post("/v1/seasons", files=[file] * 3), 422, "too-many-files")
        assert document["errors"] == [{"part": "body", "pointer": "/season", "detail": "at most 2 files"}]
        assert list((tmp_path / "seasons").iterdir()) == []
        assert client.post("/v1/seasons", files=[file] * 2).status_code == 202


@pytest.mark.parametrize(
    "roster",
    [
        b"",
        b"name,hurts\nann,wrist\n",
        b"\xff\xfe\x00",
        b"PAR1 and no more",
        b"player,player\nann,ann\n",
        b"x" * 300,
    ],
)
def test_a_roster_that_is_no_table_is_refused_at_once(tmp_path: Path, roster: bytes) -> None:
    with serving(tmp_path) as client:
        files = [("season", ("a", b"PAR1 and no more")), ("roster", ("b", roster))]
        body = problem(client.post("/v1/seasons", files=files), 422, "no-roster")
        assert {each["pointer"] for each in body["errors"]} == {"/roster"}
        assert client.get("/v1/seasons").json() == {"seasons": []} and "wrist" not in str(body)
        assert list((tmp_path / "seasons").iterdir()) == []
        files[1] = ("roster", ("b", b"player,pain\nann,none\n"))
        assert client.post("/v1/seasons", files=files).status_code == 202


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EMFILE])
def test_no_room_on_the_machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int) -> None:
    def full(*_: object) -> None:
        raise OSError(number, os.strerror(number))

    with serving(tmp_path) as client:
        monkeypatch.setattr("faultml.service.uploads._copy", full)
        answer = client.post("/v1/seasons", files=[("season", ("a", b"PAR1 and no more"))])
        problem(answer, 503, "no-room")
        assert answer.headers["retry-after"] == "60" and client.get("/v1/seasons").json() == {"seasons": []}


def test_a_field_that_is_no_file_is_named(tmp_path: Path) -> None:
    with serving(tmp_path) as client:
        document = problem(
            client.post("/v1/seasons", data={"x": "1", "y": "2"}, files={"z": b""}), 422, "invalid"
        )
        assert {each["pointer"] for each in document["errors"]} == {"/x", "/y", "/z", "/season"}
        for broken in (b"--b\r\n: \r\n\r\n", b"--b\r\nno"):
            answer = client.post(
                "/v1/seasons", content=broken, headers={"content-type": "multipart/form-data; boundary=b"}
            )
            assert answer.status_code in (400, 422) and answer.json()["code"] in ("bad-request", "invalid")


def test_millions_of_fields_are_counted_before_they_are_read(tmp_path: Path) -> None:
    headers = {"content-type": "application/json"}
    many = {
        "objects": b'{"%s": [' + b"{}," * 1_000_000 + b"{}]}",
        "fields": b'{"%s": 1, ' + b",".join(b'"%d":0' % at for at in range(100_000)) + b"}",
        "lists": b'{"%s": [' + b"[]," * 1_000_000 + b"[]]}",
    }
    with serving(tmp_path, store=tmp_path / "store.sqlite") as client:
        for name, path in ((b"swings", "assess"), (b"labels", "labels"), (b"value", "players/p/statements"),
                           (b"drill", "players/p/drills")):  # fmt: skip
            for what, body in many.items():
                answer = client.post(f"/v1/{path}", content=body.replace(b"%s", name), headers=headers)
                refused = problem(answer, 422, "too-many-fields")
                assert refused["errors"] == [], (path, what)
        wrong = b'{"labels": [' + b"0," * 10_000 + b"0]}"
        refused = problem(client.post("/v1/labels", content=wrong, headers=headers), 422, "invalid")
        assert [each["pointer"] for each in refused["errors"]] == ["/labels"]
        swing = b'{"swings": [{"t_s": [' + b'"x",' * 10_000 + b'"x"]}]}'
        problem(client.post("/v1/assess", content=swing, headers=headers), 422, "too-many-samples")


def test_one_wrong_field_is_one(tmp_path: Path) -> None:
    with serving(tmp_path) as client:
        swing = fake_swings()[0] | {"club": 7}
        document = problem(client.post("/v1/assess", json={"swings": [swing]}), 422, "invalid")
        assert document["detail"] == "1 field is not as described."


def uploaded(client: httpx.Client) -> dict[str, object]:
    answer = client.post("/v1/seasons", content=b"PAR1 and no more", headers={"content-type": PARQUET})
    assert answer.status_code == 202
    document: dict[str, object] = answer.json()
    return document
