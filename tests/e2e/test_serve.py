"""The service as others meet it: a season in, results out, killed servers, many clients, the example, the command."""

from __future__ import annotations

import json
import logging
import os
import re
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

import httpx
import pandas as pd
import pytest
from click.testing import CliRunner
from http_fakes import fake_swings, problem, serving, until

from faultml.cli import main
from faultml.quality.watched import read_watch
from faultml.recordings.write import write_season
from faultml.results import read_results
from faultml.season import classify_season
from faultml.service.settings import Limits
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import draw_season

ROOT = Path(__file__).parents[2]
PARQUET = "application/vnd.apache.parquet"
ROSTER = "player,pain,under_16,ulnar_history,thumb_history\np001,left wrist,no,no,no\np002,none,no,no,no\n"


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from faultml.faults.catalogue import load_catalogue

    folder = tmp_path_factory.mktemp("season")
    drawn = draw_season(load_catalogue(), Recipe(golfers=2, sessions=2, swings=5, seed=14))
    write_season(drawn.batch, folder / "season.parquet")
    (folder / "roster.csv").write_text(ROSTER, encoding="utf-8")
    return folder


@pytest.fixture
def client(tmp_path: Path) -> Iterator[httpx.Client]:
    with serving(tmp_path / "spool", max_jobs=2, max_upload_bytes=2_000_000) as client:
        yield client


def ended(client: httpx.Client, job: str) -> dict[str, object]:
    until(lambda: client.get(f"/v1/seasons/{job}").json()["state"] in ("done", "failed"))
    document: dict[str, object] = client.get(f"/v1/seasons/{job}").json()
    return document


def test_a_season_goes_in_and_its_results_come_out(
    client: httpx.Client, season: Path, tmp_path: Path
) -> None:
    problem(client.get("/v1/players/p001/drills"), 404, "no-results")
    files = [
        ("season", ("../../etc/passwd", (season / "season.parquet").read_bytes())),
        ("roster", ("x", ROSTER.encode())),
    ]
    answer = client.post("/v1/seasons", files=files)
    assert answer.status_code == 202 and answer.headers["location"].endswith(answer.json()["id"])
    job = answer.json()["id"]
    document = ended(client, job)
    assert document["state"] == "done" and document["progress"] == 1.0, document

    classify_season([season], tmp_path / "own")
    own = read_results(tmp_path / "own")
    for name in ("swings", "faults", "players", "drills", "retests", "curves"):
        file = tmp_path / f"{name}.parquet"
        file.write_bytes(client.get(f"/v1/seasons/{job}/results/{name}.parquet").content)
        pd.testing.assert_frame_equal(pd.read_parquet(file), pd.read_parquet(own.folder / f"{name}.parquet"))
    watch = client.get(f"/v1/seasons/{job}/watch").json()
    assert watch == asdict(read_watch(own.run)) and watch["compared"]
    assert watch["too_few"] + sum(each["swings"] for each in watch["recorders"]) == document["assessed"]
    page = client.get(f"/v1/seasons/{job}/results/report.html")
    assert page.headers["content-disposition"].startswith("attachment")
    assert "default-src 'none'" in page.headers["content-security-policy"]
    for name in document["results"]:  # type: ignore[attr-defined]
        assert str(tmp_path).encode() not in client.get(f"/v1/seasons/{job}/results/{name}").content, name
    assert not list((tmp_path / "spool").rglob("season")), "recordings are kept although they have served"
    assert sorted(path.name for path in tmp_path.iterdir() if path.name == "passwd") == []

    hurts = client.get("/v1/players/p001/drills").json()
    assert [(row["rank"], row["reason"], row["book"]) for row in hurts["drills"]] == [(0, "paused", None)]
    fit = client.get("/v1/players/p002/drills").json()
    rows = own.drills[own.drills["player"] == "p002"]
    assert [row["drill"] for row in fit["drills"]] == rows["drill"].tolist()
    assert all("clinician" in each["care"][0] for each in (hurts, fit))
    assert all("top if it hurts" in row["book"]["lines"]["stop"] for row in fit["drills"] if row["rank"])
    problem(client.get("/v1/players/nobody/drills"), 404, "unknown-player")

    assert client.delete(f"/v1/seasons/{job}").status_code == 204
    problem(client.get(f"/v1/seasons/{job}"), 404, "unknown-season")
    problem(client.get(f"/v1/seasons/{job}/results/run.json"), 404, "unknown-season")
    problem(client.get(f"/v1/seasons/{job}/watch"), 404, "unknown-season")


def test_what_is_no_season_is_refused_at_once(client: httpx.Client, season: Path) -> None:
    for kind in (PARQUET, "text/csv"):
        problem(
            client.post("/v1/seasons", content=b"PK\x03\x04", headers={"content-type": kind}),
            422,
            "no-season",
        )
    problem(
        client.post("/v1/seasons", content=b"x", headers={"content-type": "text/plain"}),
        415,
        "unknown-media-type",
    )
    document = problem(client.post("/v1/seasons", files=[("roster", ("a", b"x"))]), 422, "invalid")
    assert document["errors"][0]["pointer"] == "/season"
    problem(client.post("/v1/seasons", files=[("extra", ("a", b"x"))]), 422, "invalid")
    large = b"PAR1" + bytes(2_000_000)
    problem(client.post("/v1/seasons", content=large, headers={"content-type": PARQUET}), 413, "too-large")
    problem(
        client.post("/v1/seasons", content=iter([large]), headers={"content-type": PARQUET}), 413, "too-large"
    )
    for name in ("..%2f..%2frun.json", "nothing.parquet", ".lock"):
        assert client.get(f"/v1/seasons/aaaaaaaaaaaa/results/{name}").status_code in (404, 422)
    headers = {"content-type": PARQUET}
    for _ in range(2):
        assert client.post("/v1/seasons", content=b"PAR1 and no more", headers=headers).status_code == 202
    problem(client.post("/v1/seasons", content=b"PAR1", headers=headers), 429, "too-many-seasons")


def test_old_seasons_go(tmp_path: Path) -> None:
    with serving(tmp_path, job_kept_s=0.0) as client:
        answer = client.post("/v1/seasons", content=b"PAR1 and no more", headers={"content-type": PARQUET})
        job = answer.json()["id"]
        until(lambda: client.get(f"/v1/seasons/{job}").status_code == 404)
        assert client.get("/v1/seasons").json() == {"seasons": []}
        until(lambda: not list((tmp_path / "seasons").iterdir()))


def test_many_clients_lose_nothing(tmp_path: Path) -> None:
    with serving(tmp_path) as client:
        bodies = [json.dumps({"swings": [swing]}) for swing in fake_swings(8, noise_deg=0.3)]
        headers = {"content-type": "application/json"}
        alone = [client.post("/v1/assess", content=body, headers=headers).json() for body in bodies]
        wrong: list[object] = []

        def ask(number: int) -> None:
            with httpx.Client(base_url=client.base_url, timeout=120, trust_env=False) as own:
                for step in range(4):
                    at = (number + step) % len(bodies)
                    answer = own.post("/v1/assess", content=bodies[at], headers=headers)
                    if answer.status_code != 200 or answer.json() != alone[at]:
                        wrong.append(answer.text[:200])

        threads = [threading.Thread(target=ask, args=(number,)) for number in range(32)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert wrong == [] and Limits().max_waiting >= 32


def test_the_example_of_the_guide_runs(season: Path, tmp_path: Path) -> None:
    (tmp_path / "swings.json").write_text(json.dumps({"swings": fake_swings(2)}), encoding="utf-8")
    for name in ("season.parquet", "roster.csv"):
        shutil.copy(season / name, tmp_path)
    page = (ROOT / "docs" / "http.md").read_text(encoding="utf-8")
    (example,) = re.findall(r"^```python\n(.*?)^```", page, re.M | re.S)
    with serving(tmp_path / "spool") as client:
        environment = {
            **os.environ, "FAULTML_SERVER": str(client.base_url).rstrip("/"), "FAULTML_TOKEN": "",
            "PYTHONPATH": str(ROOT / "docs"),
        }  # fmt: skip
        done = subprocess.run(
            [sys.executable, "-c", example], env=environment, cwd=tmp_path, capture_output=True, text=True,
            timeout=240,
        )  # fmt: skip
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert lines[0].startswith("p1 001 ") and re.match(r"done \d+ of 20 ", lines[2])
    assert lines[-1] == "unknown-season 0.0" and (tmp_path / "report.html").stat().st_size > 10_000


@pytest.mark.skipif(shutil.which("curl") is None, reason="no curl")
def test_the_line_of_the_readme_runs(season: Path, tmp_path: Path) -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    (line,) = re.findall(r"^    (curl .*)$", readme, re.M)
    classify_season([season], tmp_path / "results")
    server = started(tmp_path / "spool", "--results", str(tmp_path / "results"))
    try:
        here = line.replace("http://127.0.0.1:8765", address(server))
        done = subprocess.run(here, shell=True, capture_output=True, timeout=240, cwd=tmp_path)
    finally:
        server.send_signal(signal.SIGINT)
        server.wait(60)
    assert here != line and json.loads(done.stdout)["drills"][0]["reason"] == "paused"


@pytest.mark.parametrize(
    ("options", "code"),
    [
        (["--host", "0.0.0.0"], "token-needed"),
        (["--host", "203.0.113.1", "--port", "1"], "token-needed"),
        (["--tokens", "tokens.toml"], "token-needed"),
        (["--log", "no/log"], "not-writable"),
        (["--model", "."], "no-bundle"),
        (["--results", "."], "not-a-results-folder"),
    ],
)
def test_wrong_use_is_reported_before_it_listens(
    options: list[str], code: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("FAULTML_TOKEN", raising=False)
    (tmp_path / "tokens.toml").touch()
    monkeypatch.setattr(logging.getLogger(), "handlers", [])
    result = CliRunner().invoke(main, ["serve", "--port", "0", *options])
    assert result.exit_code == 2 and code in result.stderr


def started(spool: Path, *options: str) -> subprocess.Popen[str]:
    code = "from faultml.cli import main; main()"
    command = [sys.executable, "-c", code, "serve", "--port", "0", "--spool", str(spool), *options]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)


def address(server: subprocess.Popen[str]) -> str:
    assert server.stdout is not None
    said = server.stdout.readline()
    found = re.search(r"http://127\.0\.0\.1:\d+", said)
    assert found and "only this machine can ask, without a token" in said, said
    until(lambda: answers(found[0]))
    return found[0]


def answers(base: str) -> bool:
    try:
        return httpx.get(f"{base}/healthz", trust_env=False).status_code == 200
    except httpx.TransportError:
        return False
