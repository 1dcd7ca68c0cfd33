"""The client in docs/ is the one that the description gives, and what a server answers is of the types it names."""

from __future__ import annotations

import json
import sys
import threading
from collections.abc import Iterator
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path
from types import ModuleType
from typing import Any

import httpx
import msgspec
import pytest
from http_fakes import fake_swings, serving

from faultml.errors import InputError
from faultml.pipelines.http_client import client as written
from faultml.pipelines.http_client import python_type

DOCS = Path(__file__).parents[3] / "docs"
TOLD = json.loads((DOCS / "openapi.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[httpx.Client]:
    folder = tmp_path_factory.mktemp("spool")
    with serving(folder, store=folder / "store.sqlite", max_jobs=1, token="t" * 30) as server:
        yield server


@pytest.fixture(scope="module")
def module() -> Iterator[ModuleType]:
    spec = spec_from_file_location("client_of_the_docs", DOCS / "client.py")
    assert spec and spec.loader
    module = sys.modules["client_of_the_docs"] = module_from_spec(spec)
    spec.loader.exec_module(module)
    yield module
    del sys.modules["client_of_the_docs"]


@pytest.fixture
def client(module: ModuleType, server: httpx.Client) -> Any:
    return module.Client(str(server.base_url), "t" * 30)


def test_it_is_written_from_the_description() -> None:
    said = "python -m faultml.pipelines.http_client docs/openapi.json docs/client.py writes it anew"
    assert written(TOLD) == (DOCS / "client.py").read_text(encoding="utf-8"), said


def test_every_operation_is_a_method_with_types(module: ModuleType) -> None:
    operations = [each["operationId"] for verbs in TOLD["paths"].values() for each in verbs.values()]
    assert len(operations) == len(set(operations)) >= 13
    for name in operations:
        method = getattr(module.Client, name)
        assert method.__doc__ and "return" in method.__annotations__, name


def test_answers_are_of_the_types_it_names(module: ModuleType, client: Any) -> None:
    label = {"player": "p1", "session": "s", "swing": "1", "fault": "flip", "verdict": "yes", "coach": "ann"}
    asked = {
        "healthz": (),
        "readyz": (),
        "faults": ("p1",),
        "drills": (),
        "keep_labels": ({"labels": [label]},),
        "labels": (None, "ann", True),
        "assess": ({"swings": fake_swings(2)},),
        "upload_season": ([b"PAR1 and no more"], b"player\n"),
    }
    for name, arguments in asked.items():
        answer = getattr(client, name)(*arguments)
        kind = getattr(module, getattr(module.Client, name).__annotations__["return"])
        # What a type does not name is dropped, and would then be missing.
        assert msgspec.to_builtins(msgspec.convert(answer, kind)) == answer, name
    assert client.labels(history=True)["total"] == 1
    job = client.season(answer["id"])
    assert set(job) == set(module.JobOut.__annotations__) and client.remove_season(job["id"]) is None


def test_refusals_are_raised_with_their_document(module: ModuleType, client: Any) -> None:
    with pytest.raises(module.Problem, match="422 invalid") as body:
        client.assess({"swings": [{"t_s": []}]})
    assert {each["pointer"] for each in body.value.document["errors"]} == {
        "/swings/0/flexion_deg", "/swings/0/ulnar_deg",
    }  # fmt: skip
    with pytest.raises(module.Problem, match="404 no-results"):
        client.player_drills("Über/../x y")
    stranger = module.Client(client.server, "u" * 30)
    with pytest.raises(module.Problem, match="401 token-needed"):
        stranger.faults()
    assert stranger.healthz()["status"] == "ok"


def test_it_tells_how_long_to_wait(
    module: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import faultml.service.swing_routes as routes

    go, entered = threading.Event(), threading.Event()

    def held(*_: object) -> bytes:
        entered.set()
        assert go.wait(60)
        return b"{}"

    monkeypatch.setattr(routes, "_answer", held)
    with serving(tmp_path, max_requests_of_a_client=1) as server:
        first = threading.Thread(target=lambda: server.post("/v1/assess", content=b""))
        first.start()
        assert entered.wait(60)
        with pytest.raises(module.Problem) as body:
            module.Client(str(server.base_url)).drills()
        go.set()
        first.join()
    assert body.value.document["status"] == 429 and body.value.retry_after_s > 0


def test_what_it_cannot_say_is_refused() -> None:
    with pytest.raises(InputError, match="unknown-schema"):
        python_type({"type": "object"})
