"""Figures for Prometheus: off by default, behind the token, about nobody."""

from __future__ import annotations

import socket
from pathlib import Path

import pytest
from http_fakes import problem, serving
from prometheus_client.parser import text_string_to_metric_families

from faultml.errors import InputError
from faultml.service import Settings, create_app

BEARER = {"authorization": f"Bearer {'t' * 30}"}


def test_it_is_off_by_default_and_wants_a_token(tmp_path: Path) -> None:
    with serving(tmp_path, token="t" * 30) as client:
        problem(client.get("/metrics", headers=BEARER), 404, "not-found")
    with pytest.raises(InputError, match="token-needed"):
        create_app(Settings(metrics=True))
    with serving(tmp_path, token="t" * 30, metrics=True) as client:
        problem(client.get("/metrics"), 401, "token-needed")
        assert "/metrics" not in client.get("/openapi.json", headers=BEARER).json()["paths"]


def test_what_happens_is_counted(tmp_path: Path) -> None:
    with serving(tmp_path, token="t" * 30, metrics=True, max_head_s=0.2) as client:
        client.headers.update(BEARER)
        client.get("/v1/players/Rosamund/drills")
        client.request("ROSAMUND", "/v1/faults/Rosamund")
        kind = {"content-type": "application/vnd.apache.parquet"}
        client.post("/v1/seasons", content=b"PAR1 and no more", headers=kind)
        with socket.create_connection(("127.0.0.1", client.base_url.port or 0), timeout=60) as silent:
            assert silent.recv(4096).startswith(b"HTTP/1.1 408")
        answer = client.get("/metrics")
        assert answer.headers["content-type"].startswith("text/plain; version=0.0.4")
        assert "rosamund" not in answer.text.lower()
        document = {
            (sample.name, *sample.labels.values()): sample.value
            for family in text_string_to_metric_families(answer.text)
            for sample in family.samples
        }
    assert document["faultml_requests_total", "GET", "/v1/players/{player:path}/drills", "404"] == 1
    assert document["faultml_requests_total", "other", "-", "404"] == 1
    assert document["faultml_request_seconds_count", "/v1/seasons"] == 1
    assert document["faultml_connections_closed_total", "head"] == 1 and document["faultml_connections",] >= 1
    assert sum(value for key, value in document.items() if key[0] == "faultml_seasons") == 1
    assert document["process_resident_memory_bytes",] > 0
