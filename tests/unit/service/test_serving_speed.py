"""The measurement of the service: it counts what is lost, and says whether what is wanted was met."""

from __future__ import annotations

import asyncio
from itertools import count
from pathlib import Path

import pytest
from http_fakes import serving

from faultml.pipelines.benchmarks import serving as speed


def test_answers_are_counted_and_compared(tmp_path: Path) -> None:
    bodies = speed.swing_bodies()[:3]
    with serving(tmp_path) as client:
        alone, together, wanted = asyncio.run(speed.measure(client.base_url.port or 0, bodies, 3, 0.5, 4))
    assert alone.startswith("One client: 4 answers") and alone.endswith("lost 0")
    assert together.startswith("3 clients at once for 0.5 s: ") and together.endswith("lost 0")
    assert wanted.endswith("met")


def test_another_answer_than_alone_is_lost(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import faultml.service.swing_routes as routes

    number = count()
    monkeypatch.setattr(routes, "_answer", lambda *_: b'{"n": %d}' % min(next(number), 1))
    with serving(tmp_path) as client:
        alone, together, wanted = asyncio.run(speed.measure(client.base_url.port or 0, [b"{}"], 2, 0.2, 2))
    assert alone.endswith("lost 1") and not together.endswith("lost 0") and wanted.endswith("NOT met")
