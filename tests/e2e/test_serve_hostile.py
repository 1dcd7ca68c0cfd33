"""Uploads meant to do harm, and jobs that end as they should not: the server and the next season carry on."""

from __future__ import annotations

import csv
import gzip
import io
import os
import signal
import stat
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from http_fakes import problem, serving, until
from season_fakes import fake_season

from faultml.service.ledger import Ledger

PARQUET = "application/vnd.apache.parquet"
ODD_NAMES = (
    b"../../x", b"/etc/passwd", b"..\\..\\x", b"a\x00b", b"CON", b"nul.csv", b"roster.csv", b"run.json", b".lock",
    b"", b"\xff\xfe", b"x" * 2000,
)  # fmt: skip


@pytest.fixture(scope="module")
def spool(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("hostile") / "spool"


@pytest.fixture(scope="module")
def client(spool: Path) -> Iterator[httpx.Client]:
    with serving(spool) as client:
        yield client


def parquet(table: pd.DataFrame) -> bytes:
    out = io.BytesIO()
    table.to_parquet(out, index=False)
    return out.getvalue()


def uploaded(client: httpx.Client, content: bytes, kind: str = PARQUET) -> str:
    answer = client.post("/v1/seasons", content=content, headers={"content-type": kind})
    assert answer.status_code == 202, answer.text
    return str(answer.json()["id"])


def ended(client: httpx.Client, job: str) -> dict[str, Any]:
    until(lambda: client.get(f"/v1/seasons/{job}").json()["state"] in ("done", "failed"))
    document: dict[str, Any] = client.get(f"/v1/seasons/{job}").json()
    return document


def folder(spool: Path, job: str) -> Path:
    return spool / "seasons" / job


def worker(place: Path) -> int | None:
    """The process that classifies in a folder."""
    for process in Path("/proc").glob("[0-9]*"):
        try:
            if (process / "cwd").readlink() == place:
                return int(process.name)
        except OSError:
            continue
    return None


def test_names_of_uploads_are_never_used(
    client: httpx.Client, spool: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Ledger, "claim", lambda *_: None)
    head = b'--b\r\ncontent-disposition: form-data; name="season"; filename="%s"\r\n\r\nPAR1 and no more\r\n'
    body = b"".join(head % name for name in ODD_NAMES) + b"--b--\r\n"
    job = uploaded(client, body, "multipart/form-data; boundary=b")
    left = sorted(path.relative_to(folder(spool, job)) for path in folder(spool, job).rglob("*"))
    assert left == sorted(
        [Path("season"), *(Path("season", f"file-{at + 1}.parquet") for at in range(len(ODD_NAMES)))]
    )
    assert stat.S_IMODE(folder(spool, job).stat().st_mode) == 0o700
    assert sorted(path.name for path in spool.parent.iterdir()) == ["spool"]
    client.delete(f"/v1/seasons/{job}")
    assert not folder(spool, job).exists()


def test_what_unpacks_too_far_is_reported(client: httpx.Client) -> None:
    columns = ("player", "session", "swing", "t_s", "flexion_deg", "ulnar_deg")
    row = b"p,s,1,0.0,0.0,0.0\n"
    packed = gzip.compress(",".join(columns).encode() + b"\n" + row * (220_000_000 // len(row)), 6)
    zeros = np.zeros(8_000_000)
    table = {name: pa.array([zeros], pa.list_(pa.float64())) for name in columns[3:]}
    out = io.BytesIO()
    pq.write_table(pa.table({name: pa.array(["1"]) for name in columns[:3]} | table), out, compression="zstd")
    assert max(len(packed), len(out.getvalue())) < 1_000_000
    for content, kind in ((packed, "application/gzip"), (out.getvalue(), PARQUET)):
        job = uploaded(client, content, kind)
        document = ended(client, job)
        assert document["assessed"] == 0 and document["reason"], document
        assert "unpacks-too-far" in str(document), document
        assert client.delete(f"/v1/seasons/{job}").status_code == 204


def test_what_a_spreadsheet_would_run_is_escaped(client: httpx.Client) -> None:
    season = fake_season(5)
    season["player"] = [f"{sign}HYPERLINK(1)" for sign in "=+-@\t"]
    season["ulnar_deg"] = [each[:-1] for each in season["ulnar_deg"]]
    job = uploaded(client, parquet(season))
    ended(client, job)
    answer = client.get(f"/v1/seasons/{job}/results/problems.csv")
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert answer.headers["content-disposition"].startswith("attachment") and len(rows) >= 5
    cells = [cell for row in rows for cell in row.values()]
    assert [cell for cell in cells if cell.startswith(("=", "+", "-", "@", "\t", "\r"))] == []
    assert {"'=HYPERLINK(1)", "'@HYPERLINK(1)"} <= set(cells)


def test_two_uploads_at_once_both_arrive_whole(client: httpx.Client) -> None:
    seasons = {count: parquet(fake_season(count, noise_deg=0.3)) for count in (3, 4)}
    jobs: dict[int, str] = {}

    def upload(count: int) -> None:
        with httpx.Client(base_url=client.base_url, timeout=240, trust_env=False) as own:
            half = len(seasons[count]) // 2
            parts = iter([seasons[count][:half], seasons[count][half:]])
            headers = {"content-type": PARQUET}
            jobs[count] = own.post("/v1/seasons", content=parts, headers=headers).json()["id"]

    threads = [threading.Thread(target=upload, args=(count,)) for count in seasons]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    for count, job in jobs.items():
        document = ended(client, job)
        assert (document["state"], document["swings"]) == ("done", count)


@pytest.mark.skipif(not Path("/proc/self/cwd").exists(), reason="the system does not tell of processes")
def test_jobs_that_end_before_their_time(
    client: httpx.Client, spool: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    season = parquet(fake_season(3))

    removed = uploaded(client, season)
    place = folder(spool, removed)
    until(lambda: worker(place))
    assert client.delete(f"/v1/seasons/{removed}").status_code == 204
    problem(client.get(f"/v1/seasons/{removed}"), 404, "unknown-season")
    until(lambda: not worker(place) and not place.exists())

    killed = uploaded(client, season)
    until(lambda: worker(folder(spool, killed)))
    os.kill(worker(folder(spool, killed)) or 0, signal.SIGKILL)
    document = ended(client, killed)
    assert (document["state"], document["reason"]) == ("failed", "The process that classified it has ended.")
    assert document["results"] == [] and not folder(spool, killed).exists()

    nonsense = tmp_path / "nonsense"
    nonsense.write_text("#!/bin/sh\necho nonsense\n")
    nonsense.chmod(0o755)
    with monkeypatch.context() as patched:
        patched.setattr("sys.executable", str(nonsense))
        strange = uploaded(client, season)
        document = ended(client, strange)
    assert (document["state"], document["reason"]) == (
        "failed",
        "It could not be classified on this machine.",
    )

    assert ended(client, uploaded(client, season))["state"] == "done"
