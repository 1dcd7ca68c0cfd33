"""A server on a free port of this machine, in a thread, for tests that ask it over a real connection."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
from season_fakes import fake_season

from faultml.service import Limits, Settings, create_app
from faultml.service.server import listen, server
from faultml.service.settings import allowed_hosts

PATIENCE_S = 240.0


@contextmanager
def serving(spool: Path, **options: Any) -> Iterator[httpx.Client]:
    """A client of a new server; options are those of `Settings`, or of `Limits` where they are one of its names."""
    limits = {name: options.pop(name) for name in list(options) if name in Limits.__dataclass_fields__}
    with listen("127.0.0.1", 0) as taken:
        port = taken.getsockname()[1]
        settings = Settings(
            hosts=allowed_hosts("127.0.0.1", port), spool=spool, limits=Limits(**limits), **options
        )
        answering = server(create_app(settings))
        thread = threading.Thread(target=answering.run, kwargs={"sockets": [taken]}, daemon=True)
        thread.start()
        try:
            with httpx.Client(
                base_url=f"http://127.0.0.1:{port}", timeout=PATIENCE_S, trust_env=False
            ) as client:
                until(lambda: thread.is_alive() and answering.started)
                until(lambda: client.get("/readyz").status_code == 200)
                yield client
        finally:
            answering.should_exit = True
            thread.join(PATIENCE_S)


def until(done: Any) -> None:
    """Wait until something holds, as long as a busy machine may need."""
    patience = time.monotonic() + PATIENCE_S
    while not done():
        assert time.monotonic() < patience, "it never came"
        time.sleep(0.02)


def fake_swings(n_swings: int = 1, **options: Any) -> list[dict[str, Any]]:
    """Swings as JSON takes them."""
    rows = fake_season(n_swings, **options).to_dict("records")
    return [
        {name: value.tolist() if hasattr(value, "tolist") else value for name, value in row.items()}
        for row in rows
    ]


def problem(answer: httpx.Response, status: int, code: str) -> dict[str, Any]:
    """The problem document of an answer, which must be one, and of this kind."""
    assert answer.headers["content-type"] == "application/problem+json", answer.text
    document: dict[str, Any] = answer.json()
    assert (answer.status_code, document["code"]) == (status, code), document
    assert (
        document["status"] == status
        and document["title"]
        and document["detail"]
        and document["type"] == "about:blank"
    )
    assert "Traceback" not in answer.text and "/site-packages/" not in answer.text
    return document
