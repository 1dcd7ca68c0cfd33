"""The practice stream over a real connection: the client of the docs, the token, the origin, the document."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import httpx
import pytest
from http_fakes import serving
from practice_fakes import Path as Motion
from practice_fakes import write_recording
from websockets.exceptions import InvalidStatus
from websockets.sync.client import connect

from faultml.coaching.book import load_book
from faultml.coaching.rules import load_coaching
from faultml.faults.catalogue import load_catalogue
from faultml.practice.of_results import target_of_results
from faultml.practice.wire import asyncapi
from faultml.results import read_results
from faultml.store import open_store

DOCS = Path(__file__).parents[3] / "docs"
DRILL = "two_stops_to_the_top"
TOKEN = "a-token-of-thirty-two-letters-xx"


@pytest.fixture(scope="module")
def client(season: Path, tmp_path_factory: pytest.TempPathFactory):
    folder = tmp_path_factory.mktemp("stream")
    with open_store(folder / "store.sqlite"):
        pass
    options = {"results": season / "results", "store": folder / "store.sqlite", "token": TOKEN}
    with serving(folder / "spool", **options) as made:
        yield made


def address(client: httpx.Client, player: str = "p001", drill: str = DRILL) -> str:
    return f"ws://127.0.0.1:{client.base_url.port}/v1/practice/{player}?drill={drill}"


def token() -> dict[str, str]:
    return {"Authorization": f"Bearer {TOKEN}"}


def recording(season: Path, path: Path) -> Path:
    results = read_results(season / "results")
    target = target_of_results(results, "p001", load_book()[DRILL], load_coaching(load_catalogue()))
    bound = target.placed_at(target.usual_setup_deg).window.bound_deg
    motion = Motion(setup_deg=target.usual_setup_deg).hold(1)
    for past in (-10.0, 7.0):
        motion.station("hip_back").station("top", flexion=bound + past).to((0, 0, 0), 1.3).hold(1)
    return write_recording(motion.samples(), path)


def test_the_documents_client_follows_a_recording(client, season, tmp_path):
    block = re.findall(
        r"^```python\n(.*?)^```", (DOCS / "practice-stream.md").read_text("utf-8"), re.M | re.S
    )[0]
    # The docs' client brings no token: the test's sends it along.
    block = block.replace("connect(address)", f"connect(address, additional_headers={token()!r})")
    script = tmp_path / "client.py"
    script.write_text(block, encoding="utf-8")
    file = recording(season, tmp_path / "tuesday.csv")
    done = subprocess.run(
        [sys.executable, str(script), address(client), str(file)],
        capture_output=True, text=True, timeout=240, check=True,
    )  # fmt: skip
    events = [json.loads(line) for line in done.stdout.splitlines()]
    assert events[0]["event"] == "set-begins"
    assert "cue-on" in [each["event"] for each in events]
    assert events[-1]["event"] == "set-ends"
    assert (events[-1]["repetitions"], events[-1]["inside"]) == (2, 1)


def test_no_token_a_wrong_one_or_a_foreign_page_is_refused_before_it_is_taken(client):
    for headers, origin in (
        (None, None),
        (token(), "http://elsewhere.example"),
        ({"Authorization": "Bearer x"}, None),
    ):
        with pytest.raises(InvalidStatus) as refused:
            connect(address(client), additional_headers=headers, origin=origin)
        assert refused.value.response.status_code == 403


def test_a_wrong_message_is_answered_and_a_large_one_closes(client):
    with connect(address(client), additional_headers=token()) as stream:
        stream.send('{"do": "jump"}')
        assert json.loads(stream.recv())["code"] == "bad-message"
        stream.send('{"do": "end"}')
        assert json.loads(stream.recv())["code"] == "no-set"
        stream.send("x" * 100_000)
        with pytest.raises(Exception, match="1009"):
            stream.recv()


def test_an_unknown_drill_and_player_are_refused(client):
    for asked, code in (
        (address(client, drill="nothing"), "bad-drill"),
        (address(client, "nobody"), "unknown-player"),
    ):
        with connect(asked, additional_headers=token()) as stream:
            assert json.loads(stream.recv())["code"] == code


def test_hurts_holds_at_once_and_a_paused_player_gets_nothing(client):
    with connect(address(client, "p002"), additional_headers=token()) as stream:
        stream.send('{"do": "hurts"}')
        assert json.loads(stream.recv())["event"] == "held"
        stream.send('{"do": "begin"}')
        assert json.loads(stream.recv())["reason"] == "paused"
    with connect(address(client, "p002"), additional_headers=token()) as stream:
        assert json.loads(stream.recv())["code"] == "paused"


def test_the_server_counts_no_connection_that_is_gone(client):
    with connect(address(client), additional_headers=token()):
        pass
    assert client.get("/readyz").status_code == 200


def test_the_committed_document_is_the_programs() -> None:
    path, text = DOCS / "asyncapi.yaml", json.dumps(asyncapi(), indent=2) + "\n"
    if os.environ.get("UPDATE_ASYNCAPI"):
        path.write_text(text, encoding="utf-8")
    assert path.read_text(encoding="utf-8") == text
    assert set(asyncapi()["channels"]["practice"]["messages"]) == set(asyncapi()["components"]["messages"])
